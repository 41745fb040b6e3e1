"""The running daemon: one task a cell, the ledger, the outlets, an orderly stop."""
