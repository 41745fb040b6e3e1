"""Opens recordings: plain or packed, in whatever encoding, from a file or standard input."""

import codecs
import gzip
import io
import os
import re
import sys
import zlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import BinaryIO, cast

from quietcell.core.recording_lines import LONGEST_LINE
from quietcell.errors import RecordingError

STANDARD_INPUT = Path("-")
_GZIP = b"\x1f\x8b"
_UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_NULS = re.compile("\0+")
"""A power cut leaves them, as many as it likes; for the reader one is as good."""
_TELL_EVERY_LINES = 2000


@contextmanager
def opened(
    path: Path, encoding: str, tell: Callable[[int], None] = lambda _: None
) -> Iterator[Iterator[str]]:
    """Open a recording and return its lines, with their ends.

    Parameters
    ----------
    path : Path
        Of a file, or `STANDARD_INPUT`.
    encoding : str
        Of its text; a byte order mark of UTF-16 or UTF-8 counts for more.
    tell : callable
        Takes how many bytes more of the file were read, now and then.

    Raises
    ------
    RecordingError
        While lines are taken: if the text is of another encoding or the packed file is damaged.
    """
    with ExitStack() as stack:
        source = sys.stdin.buffer if path == STANDARD_INPUT else stack.enter_context(path.open("rb"))
        plain = _peeked(source, stack)
        if plain.peek(2)[:2] == _GZIP:
            plain = _peeked(stack.enter_context(gzip.open(plain)), stack)
        begins = plain.peek(3)[:3]
        if begins[:2] in _UTF_16:
            encoding = "utf-16"
        elif begins == codecs.BOM_UTF8 or codecs.lookup(encoding).name == "utf-8":
            encoding = "utf-8-sig"
        text = io.TextIOWrapper(plain, encoding=encoding, newline="")
        stack.callback(text.detach)
        yield _lines(text, path, encoding, source, tell)


def _peeked(source: BinaryIO | gzip.GzipFile, stack: ExitStack) -> io.BufferedReader:
    """Return a reader that can look ahead, and leaves its source open."""
    reader: io.BufferedReader = io.BufferedReader(cast("io.BufferedReader", source))
    stack.callback(reader.detach)
    return reader


def _line(text: io.TextIOWrapper) -> str:
    """Return a line; of one longer than the reader takes its beginning, for it may be gigabytes long."""
    line = text.readline(LONGEST_LINE + 1)
    while (
        len(line) > LONGEST_LINE
        and line[-1] not in "\r\n"
        and len(short := _NULS.sub("\0", line)) < len(line)
    ):
        line = short + text.readline(LONGEST_LINE + 1)
    return line


def _lines(
    text: io.TextIOWrapper, path: Path, encoding: str, source: BinaryIO, tell: Callable[[int], None]
) -> Iterator[str]:
    read = number = 0
    sized = source.seekable() and path != STANDARD_INPUT
    try:
        while line := _line(text):
            number += 1
            if number % _TELL_EVERY_LINES == 0 and sized:
                at = source.tell()
                tell(at - read)
                read = at
            yield line
    except UnicodeError as error:
        where = f"text behind line {number}" if number else "its text"
        raise RecordingError(
            f"{where} cannot be read as {encoding.removesuffix('-sig')}",
            subject=str(path),
            hint='Say its encoding under [cells.NAME.recording], such as encoding = "latin-1" or "utf-16-le"',
        ) from error
    except (EOFError, zlib.error, gzip.BadGzipFile) as error:
        raise RecordingError(
            f"the packed file is damaged behind line {number}: {error}",
            subject=str(path),
            hint="Unpack what can be (zcat FILE > FILE.csv) and replay that",
        ) from error
    if sized:
        tell(os.fstat(source.fileno()).st_size - read)
