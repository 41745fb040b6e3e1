"""Drivers that turn the bytes of generic meters into readings."""
