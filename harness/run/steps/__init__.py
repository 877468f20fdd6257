"""One file a step kind; the table in this package names them."""
