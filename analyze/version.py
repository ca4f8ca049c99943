"""The program's version, which `pyproject.toml` reads from here, and those of what the figures come out of."""

from __future__ import annotations

VERSION = "0.1.0"

#: Libraries whose version may show in the last digit of a figure.
_LIBRARIES = ("numpy", "scipy", "soundfile", "soxr", "matplotlib")


def library_versions() -> dict[str, str]:
    """Versions of Python and of the libraries that compute, read and draw."""
    import platform
    from importlib.metadata import version

    return {"python": platform.python_version(), **{name: version(name) for name in _LIBRARIES}}
