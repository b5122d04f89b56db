"""What templates may use to show facts."""
