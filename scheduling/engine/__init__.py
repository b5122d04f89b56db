"""Pure numerical models: arrays and frozen dataclasses in and out, no database, no clock, no Django."""
