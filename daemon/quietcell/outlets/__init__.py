"""Followers of the journal: each delivers records from its own durable cursor, at least once, in order."""
