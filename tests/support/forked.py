"""The program in a process of its own, forked from one that has loaded it already."""

import fcntl
import multiprocessing
import os
import signal
import sys
import termios
from multiprocessing.connection import Connection
from multiprocessing.context import ForkServerProcess

import pexpect
from pexpect.fdpexpect import fdspawn

from quietcell.cli import main

_SERVER = multiprocessing.get_context("forkserver")
_SERVER.set_forkserver_preload(
    [f"quietcell.cli.{name}" for name in ("run", "calibrate", "check", "measure", "note", "replay")]
)


def started(words: tuple[str, ...], output: int, *, terminal: bool = False) -> ForkServerProcess:
    """Start the program with these words.

    Parameters
    ----------
    words : tuple of str
        Its arguments.
    output : int
        Descriptor for what it prints; it is closed here once the process has it.
    terminal : bool
        It is a terminal, and becomes the one that controls the process and its standard input.
    """
    process = _SERVER.Process(target=_program, args=(words, Connection(output), terminal), daemon=True)
    process.start()
    return process


class Terminal(fdspawn):  # type: ignore[misc] # untyped
    """The program at a terminal of its own, its end that of the person in front of it."""

    def __init__(self, *words: str) -> None:
        near, far = os.openpty()
        termios.tcsetwinsize(far, (40, 120))
        self._process = started(words, far, terminal=True)
        super().__init__(near, timeout=60, encoding="utf-8")

    def answer(self, question: str, words: str) -> None:
        """Wait for a question and answer it."""
        self.expect(question)
        self.sendline(words)

    def interrupt(self) -> None:
        """Press Ctrl-C."""
        self.send("\x03")

    def terminate(self) -> None:
        """Ask the program to end."""
        assert self._process.pid is not None
        os.kill(self._process.pid, signal.SIGTERM)

    def ended(self) -> int:
        """Wait for the program's end, the electrode put back where it asks for that; return its status."""
        if self.expect([pexpect.EOF, "put it back into the cell.*Press Enter"]):
            self.sendline("")
            self.expect(pexpect.EOF)
        self._process.join(60)
        self.close()
        assert self._process.exitcode is not None, "it let go of the terminal and still runs"
        return self._process.exitcode

    def abandon(self) -> None:
        """Kill the program, if it still runs."""
        self._process.kill()
        self._process.join()
        self.close()


def _program(words: tuple[str, ...], output: Connection, terminal: bool) -> None:
    os.setsid()
    signal.signal(signal.SIGINT, signal.default_int_handler)  # tests in the background ignore Ctrl-C
    if terminal:
        fcntl.ioctl(output.fileno(), termios.TIOCSCTTY, 0)
        os.dup2(output.fileno(), 0)
        sys.stdin = os.fdopen(0, encoding="utf-8", closefd=False)
    for number in (1, 2):
        os.dup2(output.fileno(), number)
    sys.stdout, sys.stderr = (os.fdopen(n, "w", 1, encoding="utf-8", closefd=False) for n in (1, 2))
    output.close()
    main(list(words))
