"""Alarms of one cell, or of the daemon itself: acknowledge states, delays, shelving, one cause one alarm."""
