"""The house keeps its floors: a room imports only from floors below its own, and no module hides a public function."""

import ast
import importlib
import inspect
import pkgutil
import types
from pathlib import Path

import pytest

import doe

ROOT = Path(doe.__file__).parent
FLOOR = {
    "study": 1,
    "designs": 2,
    "quality": 3,
    "bench": 3,
    "fits": 4,
    "virtual": 4,
    "window": 5,
    "store": 6,
    "plots": 6,
    "report": 7,
    "panels": 8,
    "calibration": 8,
    "commands": 8,
    "__main__": 9,
}


def rooms_imported(source: str) -> set[str]:
    """The rooms that a module's text imports, wherever in it the import stands."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, "absolute imports only, so that this test can read them"
            names = [node.module or ""] + ([f"doe.{a.name}" for a in node.names] if node.module == "doe" else [])
        elif isinstance(node, ast.Import):
            names = [a.name for a in node.names]
        else:
            continue
        found |= {n.split(".")[1] for n in names if n.startswith("doe.")}
        if "doe" in names and not isinstance(node, ast.ImportFrom):
            found.add("*")  # the whole package: only the top floor may
    return found


def test_the_reader_of_imports_sees_them():
    assert rooms_imported("def f():\n    from doe.window import box") == {"window"}
    assert rooms_imported("from doe import fits") == {"fits"}
    assert rooms_imported("import doe.plots.look") == {"plots"}
    assert rooms_imported("import doe") == {"*"}


@pytest.mark.parametrize("path", sorted(ROOT.rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_only_lower_rooms_are_imported(path):
    room = path.relative_to(ROOT).parts[0].removesuffix(".py")
    if room == "__init__":
        return  # the public names come from every room
    assert room in FLOOR, f"a room without a floor: {room}"
    for other in rooms_imported(path.read_text(encoding="utf-8")) - {room}:
        below = other in FLOOR and FLOOR[other] < FLOOR[room]
        public = other not in FLOOR and FLOOR[room] == 9  # the command line may use the package as a user does
        assert below or public, f"{room} (floor {FLOOR[room]}) imports {other}"


def modules() -> list[types.ModuleType]:
    return [
        importlib.import_module(m.name)
        for m in pkgutil.walk_packages(doe.__path__, "doe.")
        if not m.name.endswith("__main__")
    ]


def test_no_module_bears_a_public_functions_name():
    """Attribute look-up must never find a module where a function was meant."""
    everything = modules()
    public = {
        name
        for module in [doe, *everything]
        for name, thing in vars(module).items()
        if inspect.isfunction(thing) and not name.startswith("_")
    }
    assert "full_factorial" in public  # the search sees functions
    clashes = {m.__name__ for m in everything if m.__name__.rpartition(".")[2] in public}
    assert not clashes


def test_every_public_name_is_there_and_documented():
    for package in [doe, *(m for m in modules() if hasattr(m, "__path__"))]:
        for name in getattr(package, "__all__", ()):
            thing = getattr(package, name)
            assert inspect.getdoc(thing), f"{package.__name__}.{name} has no docstring"
            assert not isinstance(thing, types.ModuleType) or package is doe, f"{package.__name__}.{name} is a module"


def test_the_package_speaks_of_itself_alone():
    """Every room says at its door what it holds and what it may import."""
    for room, floor in FLOOR.items():
        door = ROOT / room / "__init__.py"
        if door.exists() and floor > 1:
            text = ast.get_docstring(ast.parse(door.read_text(encoding="utf-8"))) or ""
            assert "import" in text.lower(), f"{room} does not say what it may import"
