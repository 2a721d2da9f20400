"""A whole trial as one zip: it comes back with its history, it says what was changed in it, and what is hostile does no harm."""

import csv
import hashlib
import io
import json
import zipfile
from pathlib import Path

import pytest
from store_trials import assert_same_records, full_records, small_records

import doe
from doe.store import zips


def said(call, *args, **kwargs):
    with pytest.raises(doe.StudyError) as caught:
        call(*args, **kwargs)
    return str(caught.value)


@pytest.fixture
def filled(store):
    records = full_records()
    store.save(records.study)
    store.save(records, why="first sheet")
    store.correct(1, "pH", 6.2, "=HYPERLINK(1)")
    store.correct(2, "viscosity[24 h, 25 °C]", None, "wrong beaker")
    store.save(doe.bench.Recipe([doe.bench.Ingredient("water", "A", balance=True)]), "-recipe")
    return store


@pytest.fixture
def other(tmp_path):
    with doe.Store(tmp_path / "other.db", who="Grace") as opened:
        yield opened


def test_a_trial_comes_back_with_its_whole_history(filled, other, tmp_path):
    path = filled.export(tmp_path / "trial.zip")
    added = other.import_(path)
    assert dict(zip(added["kind"], added["versions"], strict=True)) == {
        "plan": 1,
        "recipe": 1,
        "records": 3,
        "study": 1,
    }
    name = "clear gel (invented)"
    for version in (1, 2, 3):
        assert_same_records(other.load("records", name, version), filled.load("records", name, version))
    assert_same_records(other.load("records", name, 1), full_records())
    assert other.names("recipe") == ["-recipe"]
    assert other.history(1).table.equals(filled.history(1).table)
    assert other.versions("records", name).equals(filled.versions("records", name))
    assert not other.import_(path)["versions"].any()
    assert other.export(tmp_path / "again.zip").read_bytes() == path.read_bytes()


def test_an_import_adds_to_the_beginning_of_the_same_history(filled, other, tmp_path):
    early = filled.export(tmp_path / "early.zip")
    filled.correct(3, "pH", 6.4, "later")
    late = filled.export(tmp_path / "late.zip")
    other.import_(early)
    assert list(other.import_(late)["versions"]) == [0, 0, 1, 0]
    other.import_(early)
    assert other.history(3).table.equals(filled.history(3).table)
    with doe.Store(tmp_path / "third.db", who="Emmy") as third:
        third.import_(early)
        third.correct(3, "pH", 6.5, "another story")
        assert said(third.import_, late) == (
            "store: records 'clear gel (invented)' is 'another history from version 4 on' but must be the one in the export, or the beginning of it: "
            "take it up in a new store."
        )
        assert list(third.history(3).table["value"])[-1] == "6.5"


def test_only_the_named_trials_are_written(filled, other, tmp_path):
    fitted = small_records()
    filled.save(fitted, "other trial")
    path = filled.export(tmp_path / "one.zip", names="other trial")
    assert set(other.import_(path)["name"]) == {"other trial"}
    assert said(filled.export, tmp_path / "x.zip", "othr trial") == (
        "store: names to export is 'othr trial' but must be a name in the store: did you mean 'other trial'?"
    )
    assert said(filled.export, tmp_path / "x.txt").startswith("store: export is PosixPath(")


def test_no_cell_of_its_tables_is_a_formula(filled, tmp_path):
    seen = 0
    with zipfile.ZipFile(filled.export(tmp_path / "trial.zip")) as archive:
        for name in ("versions.csv", "readings.csv", "notes.csv"):
            for row in csv.reader(io.StringIO(archive.read(name).decode())):
                for cell in row:
                    seen += cell.startswith("'")
                    assert not cell.startswith(("=", "+", "@", "\t", "\r")), cell
                    assert not cell.startswith("-") or float(cell) < 0
    assert seen == 3  # "=H3", "=HYPERLINK(1)", "-recipe"


def rewritten(path, target, change):
    """A copy of a zip whose files `change` has changed, with a manifest that fits."""
    with zipfile.ZipFile(path) as archive:
        files = {n: archive.read(n) for n in archive.namelist()}
    change(files)
    manifest = json.loads(files.pop("manifest.json"))
    manifest["files"] = {n: {"sha256": hashlib.sha256(d).hexdigest(), "bytes": len(d)} for n, d in files.items()}
    with zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in {**files, "manifest.json": json.dumps(manifest).encode()}.items():
            archive.writestr(name, data)
    return target


def test_what_was_changed_is_said(filled, other, tmp_path):
    path = filled.export(tmp_path / "trial.zip")
    with zipfile.ZipFile(path) as archive:
        files = {n: archive.read(n) for n in archive.namelist()}
    changed = tmp_path / "changed.zip"
    with zipfile.ZipFile(changed, "w") as archive:
        for name, data in files.items():
            archive.writestr(name, data.replace(b"12001", b"13001"))
    digest = hashlib.sha256(files["readings.csv"]).hexdigest()[:12]
    assert said(other.import_, changed) == (
        f"export {str(changed)!r}: readings.csv is 'changed since it was written' but must be of SHA-256 {digest}…: take another copy of the export."
    )

    def forge(files):
        files["readings.csv"] = files["readings.csv"].replace(b"12001", b"13001")

    forged = rewritten(path, tmp_path / "forged.zip", forge)
    assert said(other.import_, forged) == (
        f"export {str(forged)!r}: records 'clear gel (invented)' is 'changed outside the store, or damaged, at version 1' but must be as it was saved "
        "(its SHA-256 says that it is not): take up the last good export in a new store with import_."
    )
    assert other.names().empty


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda f: f.update({"extra.txt": b"x"}) or f.pop("notes.csv"), "notes.csv is 'missing' but must be a table of kind of thing, name of thing,"),
        (lambda f: f.update({"readings.csv": b"a,b\n1,2\n"}), "readings.csv is 'broken (other columns)' but must be a table of name, version,"),
        (lambda f: f.update({"readings.csv": f["readings.csv"].replace(b"records", b"x").replace(b",1,1,", b",77,1,", 1)}), "is ['records', 'clear gel (invented)', 77] but must be"),
        (lambda f: f.update({"readings.csv": f["readings.csv"].replace(b"12001.0", b"inf")}), "readings.csv is 'broken (value is inf)'"),
        (lambda f: f.update({"versions.csv": f["versions.csv"].replace(b"records,", b"../../x,")}), "versions.csv, line "),
        (lambda f: f.update({"content/000001.json": b"[" * 100000}), "changed outside the store"),
    ],
)  # fmt: skip
def test_what_no_store_would_write_is_refused(filled, other, tmp_path, change, words):
    forged = rewritten(filled.export(tmp_path / "trial.zip"), tmp_path / "forged.zip", change)
    assert words in said(other.import_, forged)
    assert other.names().empty


def packed(path, entries):
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in entries:
            archive.writestr(name, data)
    return path


def test_hostile_zips_do_no_harm(other, tmp_path):
    bomb = packed(tmp_path / "bomb.zip", [(f"{i}.csv", b"") for i in range(9)])
    content, place = bomb.read_bytes(), -1
    for _ in range(9):  # as a bomb's list of contents would say: 64 MiB a file
        place = content.find(b"PK\x01\x02", place + 1)
        content = content[: place + 24] + (2**26).to_bytes(4, "little") + content[place + 28 :]
    bomb.write_bytes(content)
    assert said(other.import_, bomb) == (
        f"export {str(bomb)!r} is '576 MiB unpacked' but must be at most 512 MiB: export the trials one by one, by their names."
    )
    many = packed(tmp_path / "many.zip", [(f"{i}", b"") for i in range(zips.MOST_FILES + 1)])
    assert "is '20001 files' but must be at most 20000 files" in said(other.import_, many)
    for name in ("../evil.txt", "/etc/evil", "a/../../evil", "C:\\evil", "a\\..\\evil"):
        path = packed(tmp_path / "escape.zip", [(name, b"x")])
        stored = zipfile.ZipFile(path).namelist()[0]
        assert said(other.import_, path) == (
            f"export {str(path)!r} is {f'a zip that leads to {stored!r}'!r} but must be one whose files stay inside: do not trust it: ask where it comes from."
        )
    assert not list(tmp_path.parent.rglob("evil*"))
    link = zipfile.ZipInfo("link")
    link.external_attr = 0o120777 << 16
    with zipfile.ZipFile(tmp_path / "link.zip", "w") as archive:
        archive.writestr(link, "/etc/passwd")
    assert "a zip that leads to 'link'" in said(other.import_, tmp_path / "link.zip")
    with pytest.warns(UserWarning, match="Duplicate name"):
        twice = packed(tmp_path / "twice.zip", [("a", b"1"), ("a", b"2")])
    assert "a zip that holds 'a' twice" in said(other.import_, twice)
    assert said(other.import_, tmp_path / "no.zip") == (
        f"export {str(tmp_path / 'no.zip')!r} is 'missing' but must be a file that exists and can be read: check the path."
    )
    (tmp_path / "text.zip").write_text("hello")
    assert said(other.import_, tmp_path / "text.zip") == (
        f"export {str(tmp_path / 'text.zip')!r} is 'no whole zip (BadZipFile)' but must be an export of a store: take another copy of it."
    )
    plain = packed(tmp_path / "plain.zip", [("a.txt", b"x")])
    assert said(other.import_, plain) == (
        f"export {str(plain)!r}: manifest.json is 'unreadable (KeyError)' but must be whole: take another copy of the export."
    )
    for manifest, words in (
        ({"kind": "trial", "schema": 2, "files": {}}, "schema is 2 but must be 1 or lower"),
        ({"kind": "study", "schema": 1, "files": {}}, "kind is 'study' but must be trial"),
        ({"kind": "trial", "schema": 1, "files": []}, "manifest.json is 'broken'"),
        (
            {"kind": "trial", "schema": 1, "files": {"a": {"sha256": "", "bytes": 0}}},
            ": a is 'missing' but must be in the zip and on its list",
        ),
    ):
        path = packed(tmp_path / "manifest.zip", [("manifest.json", json.dumps(manifest).encode())])
        assert words in said(other.import_, path)
    assert said(other.import_, 7) == "store: import is 7 but must be the path of a .zip file: say where the export is."


def test_a_zip_that_lies_about_its_sizes_is_cut_off(filled, other, tmp_path):
    content = bytearray(Path(filled.export(tmp_path / "trial.zip")).read_bytes())
    place = content.find(b"PK\x01\x02")
    content[place + 24 : place + 28] = (5).to_bytes(4, "little")  # the unpacked size of the first entry
    (tmp_path / "liar.zip").write_bytes(content)
    assert "take another copy of" in said(other.import_, tmp_path / "liar.zip")


def test_an_export_cut_short_anywhere_is_refused(filled, other, tmp_path):
    content = Path(filled.export(tmp_path / "trial.zip")).read_bytes()
    for end in range(0, len(content), max(1, len(content) // 60)):
        (tmp_path / "cut.zip").write_bytes(content[:end])
        assert "export of" in said(other.import_, tmp_path / "cut.zip")
    assert other.names().empty


@pytest.mark.parametrize(
    "text", ["=1", "'=1", "''=1", "'", "-", "@x", "\tx", "\rx", "\nx", "＝x", "a=b", "", "'a", " =1"]
)
def test_a_neutral_cell_reads_back(text):
    from doe.bench.texts import bare, neutral

    assert bare(neutral(text)) == text
    assert not neutral(text).startswith(("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠"))
