"""Commands of the decisions."""
