"""quietcell: unattended pH of purified water, accepted only when it has come to rest."""

from importlib.metadata import version

__version__ = version("quietcell")
