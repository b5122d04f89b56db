"""Pages of the decisions that change something, and the health page; one module per subject."""
