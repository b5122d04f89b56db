"""Management of the decisions."""
