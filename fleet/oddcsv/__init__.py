"""Files of readings as loggers write them, in any encoding, unit and style of date; no Django in here."""
