"""A driver for a meter invented here: counted messages with a check sum."""
