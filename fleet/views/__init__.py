"""Pages that write facts, one module per subject."""
