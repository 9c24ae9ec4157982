"""The road from a record to results."""
