"""The test record: read, validated, in SI."""
