"""The end of the start: what is there, what is missing, and the first forecast."""
