"""The interface others may rely on, written down from the code that serves it."""
