"""Journal, tables, report and history of runs."""
