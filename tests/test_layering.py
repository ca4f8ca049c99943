"""The rules of the tree that a machine can check: who imports whom, what is documented, how long a file is."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "analyze"

#: The way of the data; a module imports from its own layer and those before it.
LAYERS = (
    "description",
    "audio",
    "spectra",
    "responses",
    "alignment",
    "pipeline",
    "reports",
    "archive",
    "batch",
    "draft",
    "planning",
    "guide",
    "cli",
)
#: Small and pure: any layer may use them, they use nothing but one another.
COMMON = ("acoustics", "errors", "findings", "version")
#: The simulator stands apart from the analysis, so that neither can copy the other's mistake.
SIMULATOR_MAY_USE = ("acoustics", "description", "errors")
#: Loaded by no command that only shows its help.
HEAVY = (
    "numpy",
    "scipy",
    "pandas",
    "matplotlib",
    "pydantic",
    "librosa",
    "soundfile",
    "soxr",
    "jinja2",
    "wavinfo",
    "sofar",
)

MOST_LINES = 400


def sources() -> dict[str, str]:
    """Module path below the package -> text."""
    return {path.relative_to(PACKAGE).as_posix(): path.read_text() for path in sorted(PACKAGE.rglob("*.py"))}


def layer_of(module: str) -> str:
    """Layer of `audio/files.py`, `audio.files` or `audio`: the first part; `description_text` is of `description`."""
    first = module.replace("/", ".").removesuffix(".py").split(".")[0]
    for family in ("description", "draft", "simulate", "cli"):
        if first == family or first.startswith(f"{family}_"):
            return family
    return "cli" if first == "__main__" else first


def imported(text: str) -> Iterator[tuple[int, str]]:
    """Line and full name of everything a module imports, in functions and for type checking too."""
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import):
            yield from ((node.lineno, alias.name) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            yield from ((node.lineno, f"{'.' * node.level}{node.module or ''}.{alias.name}") for alias in node.names)


def may_import(importer: str, used: str) -> bool:
    """Whether a module of one layer may use another layer."""
    if used == importer:
        return True
    if importer in COMMON:
        return used in COMMON
    if importer == "simulate":
        return used in SIMULATOR_MAY_USE
    if used in COMMON:
        return True
    if importer in ("cli", "guide") and used == "simulate":
        return True
    return importer in LAYERS and used in LAYERS and LAYERS.index(used) < LAYERS.index(importer)


def import_mistakes(modules: dict[str, str]) -> list[str]:
    """Imports against the order, `module:line: name`."""
    mistakes = []
    for module, text in modules.items():
        importer = layer_of(module)
        for line, name in imported(text):
            if name.startswith("."):
                mistakes.append(f"{module}:{line}: {name} is relative")
            parts = name.split(".")
            if parts[0] == "matplotlib" and importer != "reports":
                mistakes.append(f"{module}:{line}: {name}")
            if parts[0] != "analyze" or len(parts) < 2 or module == "__init__.py":
                continue
            if not may_import(importer, layer_of(parts[1])):
                mistakes.append(f"{module}:{line}: {name}")
    return mistakes


def undocumented(text: str) -> list[str]:
    """Public classes, functions and methods without a docstring, and the module itself."""
    tree = ast.parse(text)
    missing = [] if ast.get_docstring(tree) or not tree.body else ["the module"]
    places: list[ast.Module | ast.ClassDef] = [tree]
    while places:
        for node in places.pop().body:
            if not isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
                continue
            is_signature = any(isinstance(d, ast.Name) and d.id == "overload" for d in node.decorator_list)
            if node.name.startswith("_") or is_signature:  # a further signature has the words of the function
                continue
            if not ast.get_docstring(node):
                missing.append(node.name)
            if isinstance(node, ast.ClassDef):
                places.append(node)
    return missing


def loaded_by(*arguments: str) -> tuple[int, set[str]]:
    """Exit code of the command in a process of its own, and the top-level packages in memory at its end."""
    watch = (
        "import atexit, runpy, sys\n"
        "def tell():\n"
        "    print('\\nLOADED', *sorted({name.split('.')[0] for name in sys.modules}))\n"
        "atexit.register(tell)\n"
        f"sys.argv = ['analyze', *{list(arguments)!r}]\n"
        "runpy.run_module('analyze', run_name='__main__')\n"
    )
    done = subprocess.run([sys.executable, "-c", watch], capture_output=True, text=True, check=False, timeout=60)
    last = done.stdout.strip().splitlines()[-1].split()
    assert last[0] == "LOADED", done.stderr
    return done.returncode, set(last[1:])


# Imports


def test_there_is_something_to_look_at() -> None:
    layers = {layer_of(module) for module in sources()}
    assert {*LAYERS, *COMMON, "simulate"} - layers <= {"archive"}


def test_imports_follow_the_way_of_the_data() -> None:
    assert import_mistakes(sources()) == []


@pytest.mark.parametrize(
    ("module", "text", "is_mistake"),
    [
        ("spectra/new.py", "from analyze.alignment.search import search", True),
        ("spectra/new.py", "from analyze.audio import open_recording", False),
        ("spectra/new.py", "def f():\n    import analyze.reports.plots", True),
        ("spectra/new.py", "if TYPE_CHECKING:\n    from analyze import pipeline", True),
        ("spectra/new.py", "from analyze.spectra.streaming import accumulate", False),
        ("spectra/new.py", "from . import streaming", True),
        ("description_new.py", "from analyze.audio import probe", True),
        ("description_new.py", "from analyze.description_text import read_text", False),
        ("acoustics.py", "from analyze.description import SoundCheck", True),
        ("findings.py", "from analyze.acoustics import energy_db", False),
        ("simulate_new.py", "from analyze.alignment.score import efficiency_db", True),
        ("simulate_new.py", "from analyze.findings import Finding", True),
        ("simulate_new.py", "from analyze.simulate_rig import Rig", False),
        ("pipeline.py", "from analyze.simulate import build_scene", True),
        ("pipeline.py", "from analyze.reports import write_report", True),
        ("reports/new.py", "from analyze.pipeline import Analysis\nimport matplotlib.pyplot", False),
        ("alignment/new.py", "import matplotlib", True),
        ("cli.py", "from matplotlib import pyplot", True),
        ("cli.py", "from analyze.simulate import make_demo", False),
        ("guide/new.py", "from analyze.simulate_boxes import vented_box", False),
        ("reports/new.py", "from analyze.cli import commands", True),
        ("draft_new.py", "from analyze.audio import probe", False),
        ("reports/new.py", "from analyze.draft import write_draft", True),
    ],
)
def test_an_import_against_the_way_is_seen(module: str, text: str, is_mistake: bool) -> None:
    assert bool(import_mistakes({module: text})) is is_mistake


# Help at once


HELP = [("--help",), ("--version",), ("run", "--help"), ("demo", "-h"), ("draft", "-h"), ("archive", "verify", "-h")]


@pytest.mark.parametrize("arguments", HELP)
def test_help_loads_nothing_heavy(arguments: tuple[str, ...]) -> None:
    code, loaded = loaded_by(*arguments)
    assert code == 0
    assert "click" in loaded
    assert not loaded & set(HEAVY)


def test_a_command_that_works_loads_what_help_does_not() -> None:
    code, loaded = loaded_by("inspect", "no-such-folder-anywhere")
    assert code == 2
    assert {"numpy", "pydantic"} & loaded


def test_a_mistake_in_a_description_is_answered_before_the_analysis_is_loaded() -> None:
    code, loaded = loaded_by("run", "no-such-folder-anywhere")
    assert code == 2
    assert not loaded & {"scipy", "soundfile", "matplotlib"}


# Every file


@pytest.mark.parametrize("module", sources())
def test_what_is_public_is_documented(module: str) -> None:
    assert undocumented(sources()[module]) == []


def test_what_is_not_documented_is_seen() -> None:
    methods = '    """Text."""\n    def f(self): ...\n    def _g(self): ...\n'
    text = f'"""Text."""\nclass A:\n{methods}def g(): ...\nclass B: ...\n'
    assert undocumented(text) == ["g", "B", "f"]
    assert undocumented("x = 1") == ["the module"]


@pytest.mark.parametrize("module", sources())
def test_no_file_is_too_long(module: str) -> None:
    n_lines = len(sources()[module].splitlines())
    assert n_lines <= MOST_LINES, n_lines


def test_tests_are_no_part_of_the_package() -> None:
    tests = [module for module in sources() if Path(module).name.startswith(("test_", "conftest"))]
    assert tests == []
