"""Decisions: what the air does to the instruments, when, and what to do about it within the hours there are."""
