"""The endpoint: whether a reading has come to rest."""
