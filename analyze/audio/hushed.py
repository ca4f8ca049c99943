"""What the decoder of MPEG audio prints by itself does not reach the user.

libsndfile 1.2.2 lets that library write its remarks on damaged frames straight to the descriptor of stderr, between the
program's own words; what is wrong with a file is told in findings.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Iterator

_STDERR = 2
_lock = threading.Lock()
_n_within = 0
_kept = -1


@contextlib.contextmanager
def hushed() -> Iterator[None]:
    """While any thread is in the block nothing is written to the descriptor of stderr."""
    _enter()
    try:
        yield
    finally:
        _leave()


def _enter() -> None:
    global _n_within, _kept
    with _lock:
        _n_within += 1
        if _n_within > 1:
            return
        with contextlib.suppress(OSError):  # there is none: nothing to be hushed
            _kept = os.dup(_STDERR)
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, _STDERR)
            os.close(nowhere)


def _leave() -> None:
    global _n_within, _kept
    with _lock:
        _n_within -= 1
        if _n_within or _kept < 0:
            return
        os.dup2(_kept, _STDERR)
        os.close(_kept)
        _kept = -1
