"""What an analysis found, and how it is written and read again."""
