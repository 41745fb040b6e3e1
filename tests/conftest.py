"""Rules for every test: the same examples each time, no task left behind, no skip unseen where asked."""

import asyncio
import os
import sys
from typing import Any

import pytest
from hypothesis import settings

# Else each of the many processes would compile everything it imports anew,
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False
# and on a few rows of numbers threads only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

settings.register_profile("repeatable", derandomize=True, database=None, deadline=None)
settings.register_profile("searching", max_examples=1000)
settings.load_profile(os.environ.get("QUIETCELL_TESTS_HYPOTHESIS", "repeatable"))

_SKIP_NOTHING = bool(os.environ.get("QUIETCELL_TESTS_SKIP_NOTHING"))


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Watch over coroutine tests, and leave browser tests out where no browser was prepared."""
    for item in items:
        if isinstance(item, pytest.Function) and asyncio.iscoroutinefunction(item.obj):
            item.fixturenames.insert(0, "no_task_left_behind")
    if "QUIETCELL_TESTS_BROWSER" not in os.environ:
        left_out = [item for item in items if item.get_closest_marker("browser")]
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if item not in left_out]
    if hasattr(config, "workerinput"):
        items[:] = _spread(items)


def _spread(items: list[pytest.Item]) -> list[pytest.Item]:
    """Spread the live tests over the others, so that while some wait for real time the rest compute."""
    live = [item for item in items if item.get_closest_marker("live")]
    rest = [item for item in items if not item.get_closest_marker("live")]
    places = [(number * len(rest) // max(1, len(live)), item) for number, item in enumerate(live)]
    for place, item in reversed(places):
        rest.insert(place, item)
    return rest


@pytest.hookimpl(trylast=True)
def pytest_sessionfinish(session: pytest.Session) -> None:
    """Fail the run for any skip where everything the tests need must be there."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if _SKIP_NOTHING and reporter is not None and reporter.stats.get("skipped"):
        reporter.write_line("skipped tests count as failed here", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


@pytest.fixture
async def no_task_left_behind() -> Any:
    """Fail a coroutine test that leaves a task running; other tests need not pay for an event loop."""
    yield
    here = asyncio.current_task()
    left = [task for task in asyncio.all_tasks() if task is not here and not task.done()]
    assert not left, f"tasks left behind: {[task.get_name() for task in left]}"
