"""The leaves of the fleet in figures: one question each, with a figure, a table and a file of its numbers."""
