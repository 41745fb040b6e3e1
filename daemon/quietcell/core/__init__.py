"""The pure part: numbers in, numbers and record bodies out; no I/O, no clock, no randomness."""
