"""Decisions: what the air does to the instruments, when, and what to do about it in the hours there are."""
