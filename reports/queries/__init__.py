"""What the pages read, one module per page; every function takes its site and its day, and none writes."""
