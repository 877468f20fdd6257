"""The record: journal, tables, report, history."""
