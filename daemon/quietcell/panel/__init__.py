"""The local page: a process of its own beside the daemon, so that nothing it does touches the measuring.

It reads the ledger's files read-only and asks the daemon over a Unix socket, like any other client.
"""
