"""The configuration: TOML checked as a whole, every fault reported with its line."""

from quietcell.config.effective import effective_settings
from quietcell.config.example import example_text
from quietcell.config.load import load_config, parse_config, with_lines
from quietcell.config.model import Config
from quietcell.config.schema import json_schema
from quietcell.config.secrets import check_private, file_fault, read_secret

__all__ = [
    "Config",
    "check_private",
    "effective_settings",
    "example_text",
    "file_fault",
    "json_schema",
    "load_config",
    "parse_config",
    "read_secret",
    "with_lines",
]
