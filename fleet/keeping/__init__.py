"""Backup and restore of a whole installation, in one form for every database it runs on."""
