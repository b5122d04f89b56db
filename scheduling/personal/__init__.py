"""Personal data of one person: told whole on request, and removed without losing records."""
