"""README keeps its word: its Python runs, its commands are one line each, its pictures are there."""

import re
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def blocks(language):
    return re.findall(rf"```{language}\n(.*?)```", README, flags=re.DOTALL)


def test_the_python_of_readme_runs(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    names: dict = {}
    for block in blocks("python"):
        exec(compile(block, "README", "exec"), names)
    assert len(names["plan"].runs) == 14
    assert names["recipe"].check(names["study"], names["plan"]).empty
    assert (tmp_path / "study.json").exists()


def test_the_first_two_commands_are_one_line_each():
    for block in blocks("sh")[:2]:
        assert len(block.strip().splitlines()) == 1


@pytest.mark.parametrize("target", re.findall(r"\]\(([^)#]+)\)", README))
def test_what_readme_points_to_is_there(target):
    assert (ROOT / target).exists()


def test_every_plan_named_in_the_table_exists():
    import doe

    table = README[README.index("## Which plan to choose") : README.index("Add centre batches")]
    named = set(re.findall(r"`([a-z_]+)(?:\([^`]*\))?`", table))
    assert "central_composite" in named
    for name in named:
        assert callable(getattr(doe.designs, name)), name


def test_every_notebook_is_listed():
    table = README[README.index("## The notebooks") : README.index("## Your own trial")]
    assert set(re.findall(r"`(\w+\.ipynb)`", table)) == {path.name for path in (ROOT / "notebooks").glob("*.ipynb")}
