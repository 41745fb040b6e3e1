"""The commented example that is the manual of the configuration file."""

from importlib.resources import files


def example_text() -> str:
    """Return the example configuration: TOML that passes the check.

    A line that begins with ``#`` and a key is a key left at its default; a comment has a blank after
    the ``#``.
    """
    return files("quietcell.config").joinpath("example.toml").read_text(encoding="utf-8")
