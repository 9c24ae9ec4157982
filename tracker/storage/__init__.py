"""Writing files whole or not at all, digests, bounded readers; the audit log."""
