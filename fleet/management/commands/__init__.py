"""Commands of the facts."""
