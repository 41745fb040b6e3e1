"""The settings in effect as plain values, fit to be recorded."""

from dataclasses import asdict
from typing import Any

from quietcell.config.faults import SECRET_KEY
from quietcell.config.model import Config


def effective_settings(config: Config) -> dict[str, Any]:
    """Return every setting, defaults included, as JSON values without secrets.

    Parameters
    ----------
    config : Config
        A checked configuration.

    Returns
    -------
    dict
        As the file is laid out; under ``criteria`` stand the numbers in full of the criteria in use.
    """
    plain = config.model_dump(mode="json", exclude={"criteria"})
    for cell in plain["cells"].values():
        cell["settings"] = _masked(cell["settings"])
    in_use = {cell.criterion: asdict(config.criterion_of(name)) for name, cell in config.cells.items()}
    in_use |= {
        cell.buffer_criterion: asdict(config.buffer_criterion_of(name)) for name, cell in config.cells.items()
    }
    return {**plain, "criteria": in_use}


def _masked(value: Any) -> Any:
    """Hide what a driver keeps under a key that sounds like a secret."""
    if isinstance(value, dict):
        return {
            key: "**********" if SECRET_KEY.search(key) and inner is not None else _masked(inner)
            for key, inner in value.items()
        }
    if isinstance(value, list):
        return [_masked(inner) for inner in value]
    return value
