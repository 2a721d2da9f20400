"""Files that are broken, enormous or meant to harm: one sentence, soon, and nothing done. What we write runs nowhere."""

import ast
import csv
import functools
import io
import json
import os
import random
import re
import resource
import zipfile
from html.parser import HTMLParser
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import doe
from doe.bench import guards

ROOT = Path(doe.__file__).parent
DATA = Path(__file__).parents[1] / "data" / "after_sun_gel"
FEW = settings(max_examples=40, deadline=None, database=None, derandomize=True, suppress_health_check=list(HealthCheck))
MANY = 600


def sentence(call, *args, **kwargs):
    """The sentence with which something is refused; None where it is taken. Anything else that is raised is a fault."""
    try:
        call(*args, **kwargs)
    except doe.StudyError as problem:
        return str(problem)
    return None


def said(call, *args, **kwargs):
    text = sentence(call, *args, **kwargs)
    assert text is not None
    return text


# ---- fuzzed: anything but a StudyError is a fault

STUDY = json.loads((DATA / "study.json").read_text(encoding="utf-8"))
PLAN = json.loads((DATA / "plan.json").read_text(encoding="utf-8"))
LEAVES = st.one_of(
    st.none(),
    st.booleans(),
    st.integers(-(10**20), 10**20),
    st.floats(allow_nan=True),
    st.text(max_size=8),
    st.sampled_from(["", " ", "=1+1", "<script>", "a" * 5000, "carbomer", "carbomer:speed", "1e999", "\x00", "\ud800", "4 wk", "log", "ä" * 50]),
)  # fmt: skip
VALUES = st.recursive(
    LEAVES,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=6), inner, max_size=3),
    max_leaves=6,
)


def places(content, path=()):
    """Every place in a JSON content."""
    yield path
    items = content.items() if isinstance(content, dict) else enumerate(content) if isinstance(content, list) else ()
    for key, value in items:
        yield from places(value, (*path, key))


def changed(content, rng, value):
    """The content with a value put, an entry taken out, doubled or renamed, at some place."""
    content = json.loads(json.dumps(content))
    path = rng.choice([p for p in places(content) if p])
    holder = content
    for key in path[:-1]:
        holder = holder[key]
    deed = rng.choice(["put", "put", "put", "drop", "double", "rename"])
    if deed == "drop":
        del holder[path[-1]]
    elif deed == "double" and isinstance(holder, list):
        holder.append(holder[path[-1]])
    elif deed == "rename" and isinstance(holder, dict):
        holder[str(value)[:20]] = holder.pop(path[-1])
    else:
        holder[path[-1]] = value
    return content


def fuzz_json(content, load, path, rng, values):
    for value in values:
        content = changed(content, rng, value)
    path.write_text(json.dumps(content), encoding="utf-8")
    text = sentence(load, path)
    if text is None:  # what is taken can be saved and read again
        load(path).save(path)
        assert sentence(load, path) is None


KINDS = {"study": (STUDY, doe.Study.load), "plan": (PLAN, doe.designs.Plan.load)}


def recipe_content(tmp_path):
    bench = doe.bench
    gel = bench.Recipe(
        [
            bench.Ingredient("water", "A", balance=True),
            bench.Ingredient("carbomer", "A", factor="carbomer", acid_content=62.0, hazards=["powder"]),
            bench.Step("stir", speed=400, minutes=30, hazards=["impeller"]),
            bench.Neutralise("tromethamine", "neutralisation", stock=0.20),
        ]
    )
    return gel.content()


def fuzz_one(kind, tmp_path, seed, values):
    content, load = KINDS[kind] if kind in KINDS else (recipe_content(tmp_path), doe.bench.Recipe.load)
    fuzz_json(content, load, tmp_path / "fuzzed.json", random.Random(seed), values)


@pytest.mark.parametrize("kind", ["study", "plan", "recipe"])
def test_fuzzed_json(kind, tmp_path):
    @FEW
    @given(st.integers(0, 2**32), st.lists(VALUES, min_size=1, max_size=3))
    def run(seed, values):
        fuzz_one(kind, tmp_path, seed, values)

    run()


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["study", "plan", "recipe"])
def test_much_fuzzed_json(kind, tmp_path):
    @settings(FEW, max_examples=MANY)
    @given(st.integers(0, 2**32), st.lists(VALUES, min_size=1, max_size=3))
    def run(seed, values):
        fuzz_one(kind, tmp_path, seed, values)

    run()


def mangled(content, rng):
    """Bytes with bits flipped, pieces cut out, doubled or put in."""
    content = bytearray(content)
    for _ in range(rng.randrange(1, 6)):
        place = rng.randrange(len(content) + 1)
        deed = rng.randrange(4)
        if deed == 0 and place < len(content):
            content[place] ^= 1 << rng.randrange(8)
        elif deed == 1:
            del content[place : place + rng.randrange(1, 200)]
        elif deed == 2:
            content[place:place] = content[place : place + rng.randrange(1, 200)]
        else:
            content[place:place] = rng.choice(
                [
                    b'"',
                    b",",
                    b";",
                    b"\n",
                    b"\r",
                    b"\x00",
                    b"=",
                    b"\xff",
                    b"<",
                    b"&#0;",
                    b"sep=;\n",
                    b"1e999",
                    b"9" * 400,
                ]
            )
    return bytes(content)


@pytest.fixture(scope="module")
def sheets(tmp_path_factory):
    """A plan, and its sheets filled in."""
    folder = tmp_path_factory.mktemp("sheets")
    plan = doe.designs.Plan.load(DATA / "plan.json")
    workbook = doe.bench.write_sheet(plan, None, folder / "sheet.xlsx")
    book = openpyxl.load_workbook(workbook)
    for row in book["Measurements"].iter_rows(min_row=7, max_row=20, min_col=7, max_col=10):
        for k, cell in enumerate(row):
            cell.value = ["12,345", 6.1, ">100", None, "2026-03-31"][k % 5]
    book.save(workbook)
    return plan, workbook.read_bytes(), (DATA / "records.csv").read_bytes()


def fuzz_sheet(sheets, kind, tmp_path, seed):
    plan, workbook, table = sheets
    rng = random.Random(seed)
    path = tmp_path / f"fuzzed.{kind}"
    if kind == "csv":
        path.write_bytes(mangled(table, rng))
    elif rng.random() < 0.3:
        path.write_bytes(mangled(workbook, rng))
    else:  # the XML inside is mangled, the zip around it is whole
        with (
            zipfile.ZipFile(io.BytesIO(workbook)) as source,
            zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target,
        ):
            hurt = rng.choice(source.namelist())
            for name in source.namelist():
                target.writestr(name, mangled(source.read(name), rng) if name == hurt else source.read(name))
    sentence(doe.bench.read_sheet, path, plan)


@pytest.mark.parametrize(("kind", "number"), [("csv", 60), ("xlsx", 12)])
def test_fuzzed_sheets(sheets, kind, number, tmp_path):
    for seed in range(number):
        fuzz_sheet(sheets, kind, tmp_path, seed)


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "number"), [("csv", 600), ("xlsx", 150)])
def test_much_fuzzed_sheets(sheets, kind, number, tmp_path):
    for seed in range(1000, 1000 + number):
        fuzz_sheet(sheets, kind, tmp_path, seed)


@pytest.fixture(scope="module")
def export(tmp_path_factory):
    folder = tmp_path_factory.mktemp("export")
    plan = doe.designs.Plan.load(DATA / "plan.json")
    with doe.Store(folder / "trials.db", who="Ada") as store:
        store.save(doe.bench.read_sheet(DATA / "records.csv", plan))
        store.correct(1, "pH", 6.2, "decimal slipped")
        return store.export(folder / "trial.zip").read_bytes()


def fuzz_zip(export, tmp_path, store, seed):
    """Half of the time the zip is mangled, else a file in it, with a manifest that fits."""
    import hashlib

    rng = random.Random(seed)
    path = tmp_path / "fuzzed.zip"
    if rng.random() < 0.5:
        path.write_bytes(mangled(export, rng))
    else:
        with zipfile.ZipFile(io.BytesIO(export)) as source:
            files = {n: source.read(n) for n in source.namelist()}
        hurt = rng.choice([n for n in files if n != "manifest.json"])
        files[hurt] = mangled(files[hurt], rng)
        manifest = json.loads(files.pop("manifest.json"))
        manifest["files"] = {n: {"sha256": hashlib.sha256(d).hexdigest(), "bytes": len(d)} for n, d in files.items()}
        with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
            for name, data in {**files, "manifest.json": json.dumps(manifest).encode()}.items():
                target.writestr(name, data)
    if sentence(store.import_, path) is None:  # what was mangled is nothing that counts
        store.check()
        assert store.history(1).table["why"].iloc[-1] == "decimal slipped"


@pytest.mark.parametrize("number", [40, pytest.param(600, marks=pytest.mark.slow)])
def test_fuzzed_zips(export, number, tmp_path):
    with doe.Store(tmp_path / "other.db", who="Grace") as store:
        for seed in range(number):
            fuzz_zip(export, tmp_path, store, number + seed)


# ---- enormous, and meant to harm


@pytest.fixture
def little_memory():
    """Two gigabytes more than now at most: what unpacks a bomb fails."""
    soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    used = int(Path("/proc/self/statm").read_text().split()[0]) * resource.getpagesize()
    resource.setrlimit(resource.RLIMIT_AS, (used + 2 * 2**30, hard))
    yield
    resource.setrlimit(resource.RLIMIT_AS, (soft, hard))


def test_enormous_files_are_refused_by_their_size(sheets, tmp_path, little_memory):
    plan = sheets[0]
    for name, call, most in (
        ("big.json", doe.Study.load, 64),
        ("big.csv", lambda p: doe.bench.read_sheet(p, plan), 32),
        ("big.xlsx", lambda p: doe.bench.read_sheet(p, plan), 32),
    ):
        path = tmp_path / name
        with path.open("wb") as f:
            f.truncate(8 * 2**30)  # as large as it says, but no disk is filled
        where = f"study file {str(path)!r}" if name == "big.json" else f"file {str(path)!r}"
        assert (
            said(call, path)
            == f"{where} is 'larger' but must be at most {most} MiB: it is not what it should be: choose another file."
        )


def test_a_device_or_a_pipe_is_no_file(tmp_path):
    os.mkfifo(tmp_path / "pipe.json")
    os.symlink("/dev/zero", tmp_path / "zero.json")
    for name in ("pipe.json", "zero.json"):
        path = tmp_path / name
        assert said(doe.Study.load, path) == (
            f"study file {str(path)!r} is 'a device or a pipe' but must be a file on a disk: choose a file."
        )


@pytest.mark.parametrize(
    ("text", "place"),
    [
        ("[" * 100_000, "nested too deep"),
        ('{"kind": ' + "9" * 5000 + "}", "a number that is none"),
        ('{"kind": NaN}', "a number that is none"),
        ('{"kind": "study", "name": "\\ud800"}', "a character of two halves, one of them missing"),
        ('{"kind": "study"', "line 1, column 17"),
    ],
)
def test_json_that_is_none(text, place, tmp_path):
    path = tmp_path / "study.json"
    path.write_text(text)
    assert said(doe.Study.load, path) == (
        f"study file {str(path)!r} is {'broken at ' + place!r} but must be whole JSON: it may have been cut short: take the last good copy, or mend it there."
    )


MAIN = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"


def workbook_with(path, sheet, extra=()):
    """A workbook whose one sheet has this XML."""
    book = openpyxl.Workbook()
    book.save(path)
    with zipfile.ZipFile(path) as source:
        files = {n: source.read(n) for n in source.namelist()}
    files["xl/worksheets/sheet1.xml"] = sheet if isinstance(sheet, bytes) else sheet.encode()
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as target:
        for name, data in {**files, **dict(extra)}.items():
            target.writestr(name, data)
    return path


def sheet_xml(rows="", rest="", head=""):
    return f'<?xml version="1.0"?>{head}<worksheet xmlns="{MAIN}"><sheetData>{rows}</sheetData>{rest}</worksheet>'


MEND = "take the sheet out into a new workbook, as plain cells."
CELLS = f"'of more cells than can be taken in' but must be of at most {guards.MOST_CELLS} cells: {MEND}"
ENTITY = (
    f"'XML with a document type or entities of its own' but must be plain XML, as spreadsheet programs write it: {MEND}"
)
LAUGHS = (
    "<!DOCTYPE x [<!ENTITY a 'ha'>"
    + "".join(f"<!ENTITY a{i} '{f'&a{i - 1 if i else str()};' * 10}'>" for i in range(9))
    + "]>"
)


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        (sheet_xml(rest='<mergeCells><mergeCell ref="A1:XFD1048576"/></mergeCells>'), CELLS),
        (sheet_xml(rest='<mergeCells><mergeCell ref="&#65;1:XFD1048576"/></mergeCells>'), CELLS),
        (sheet_xml(rest='<hyperlinks><hyperlink ref="A:XFD"/></hyperlinks>'), CELLS),
        (sheet_xml('<row r="1"><c r="A1"/></row>' * 3 + "<row>" + "<c/>" * (guards.MOST_CELLS + 1) + "</row>"), CELLS),
        (sheet_xml("<row><c t='inlineStr'><is><t>&a8;</t></is></c></row>", head=LAUGHS), ENTITY),
        (sheet_xml("<row><c t='inlineStr'><is><t>&x;</t></is></c></row>", head='<!DOCTYPE x [<!ENTITY x SYSTEM "file:///etc/passwd">]>'), ENTITY),
        (sheet_xml(head='<!DOCTYPE x SYSTEM "http://127.0.0.1:9/x.dtd">').encode("utf-16"), ENTITY),
    ],
    ids=["merged", "merged, escaped", "linked", "cells", "laughs", "a file's entity", "UTF-16"],
)  # fmt: skip
def test_workbooks_meant_to_harm(sheet, words, sheets, tmp_path, little_memory):
    path = workbook_with(tmp_path / "bad.xlsx", sheet)
    assert path.stat().st_size < 2**20
    assert said(doe.bench.read_sheet, path, sheets[0]) == f"file {str(path)!r} is {words}"


def test_workbooks_that_claim_too_much(sheets, tmp_path, little_memory):
    plan = sheets[0]
    far = workbook_with(tmp_path / "far.xlsx", sheet_xml('<row r="90000"><c r="XFD90000"><v>1</v></c></row>'))
    assert said(doe.bench.read_sheet, far, plan) == (
        f"file {str(far)!r}, sheet 'Sheet' is '90000 rows by 16384 columns' but must be at most {guards.MOST_CELLS} cells: delete the empty rows and columns."
    )
    bomb = workbook_with(tmp_path / "bomb.xlsx", sheet_xml(), [("xl/media/a.xml", b" " * (guards.MOST_UNPACKED + 1))])
    assert bomb.stat().st_size < 2**20
    assert (
        said(doe.bench.read_sheet, bomb, plan)
        == f"file {str(bomb)!r} is '128 MiB unpacked' but must be at most 128 MiB: {MEND}"
    )
    many = workbook_with(tmp_path / "many.xlsx", sheet_xml(), [(f"x{i}", b"") for i in range(guards.MOST_PARTS)])
    assert f"parts' but must be of at most {guards.MOST_PARTS} parts: {MEND}" in said(doe.bench.read_sheet, many, plan)


def test_tables_that_claim_too_much(sheets, tmp_path, little_memory):
    plan = sheets[0]
    wide = tmp_path / "wide.csv"
    wide.write_text("run" + "," * (guards.MOST_CELLS + 1) + "\n")
    assert said(doe.bench.read_sheet, wide, plan) == (
        f"file {str(wide)!r} is 'of up to 2000002 cells' but must be of at most {guards.MOST_CELLS} cells: take out what does not belong."
    )
    long = tmp_path / "long.csv"
    long.write_text('run,pH\n1,"' + "x" * 200_000)
    assert said(doe.bench.read_sheet, long, plan) == (
        f"file {str(long)!r} is 'with a cell longer than any text' but must be a .csv file of short cells: look for a quotation mark that is not closed."
    )


@pytest.mark.parametrize(
    ("reference", "cells"),
    [
        ("A1:C5", 15),
        ("C5:A1", 15),
        ("$A$1:$A$1", 1),
        ("B2", 1),
        ("A:A", 1_048_576),
        ("1:1", 16_384),
        ("A1:ZZZZZZ1", 475_254),
        ("", 1),
    ],
)
def test_areas(reference, cells):
    assert guards.area(reference) == cells


# ---- what we write

HOSTILE = '=cmd|"/C calc"!A0'
STARTS = ("=", "+", "-", "@", "\t", "\r")
SCRIPT = "<script>alert(1)</script>"


def hostile_trial():
    """Every text of a study and its records begins as a formula does, and holds a script."""
    study = doe.Study(
        f"@{SCRIPT}",
        [doe.Continuous(f"={SCRIPT}a", 0, 1, "-<b>"), doe.Continuous(f"+{SCRIPT}b", 0, 1), doe.Categorical(f"-{SCRIPT}c", [f"={SCRIPT}", f"@{HOSTILE}"])],
        [doe.Response(f"={SCRIPT}y", "=<i>", low=0), doe.Response(f"-{SCRIPT}z")],
        notes=f"={SCRIPT}",
    )  # fmt: skip
    plan = doe.designs.full_factorial(study, levels=2, replicates=2)
    frame = plan.runs.reset_index()[["run"]].assign(
        **{
            f"={SCRIPT}y": [1.0 + k / 7 + k % 3 for k in range(16)],
            f"-{SCRIPT}z": [2.0 + k % 5 for k in range(16)],
            "remark": f"={SCRIPT}",
        }
    )
    return study, plan, doe.bench.Records.from_frame(frame, plan)


def test_no_cell_that_we_write_is_a_formula_of_the_users(tmp_path):
    _, plan, records = hostile_trial()
    seen = 0
    for path in (doe.bench.write_sheet(plan, None, tmp_path / "sheet.csv"), records.save(tmp_path / "records.csv")):
        for row in csv.reader(io.StringIO(path.read_text(encoding="utf-8-sig"))):
            for cell in row:
                seen += SCRIPT in cell
                assert not cell.startswith(STARTS) or re.fullmatch(r"-?\d+(\.\d+)?", cell), cell
    assert seen > 30
    book = openpyxl.load_workbook(doe.bench.write_sheet(plan, None, tmp_path / "sheet.xlsx"))
    seen = 0
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                seen += SCRIPT in str(cell.value)
                assert cell.data_type != "f", (sheet.title, cell.coordinate, cell.value)
    assert seen > 30
    back = doe.bench.read_sheet(tmp_path / "records.csv", plan)
    assert list(back.data["value"]) == list(records.data["value"])
    assert list(back.remarks["remark"]) == list(records.remarks["remark"])


class Elements(HTMLParser):
    def __init__(self, text):
        super().__init__()
        self.scripts, self.text, self.handlers = [], "", []
        self.inside = False
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        self.inside = tag == "script"
        self.handlers += [name for name, _ in attributes if name.startswith("on")]

    def handle_endtag(self, tag):
        self.inside = False

    def handle_data(self, data):
        if self.inside:
            self.scripts.append(data)
        else:
            self.text += data


def test_a_factor_named_script_stays_text(tmp_path):
    study, plan, records = hostile_trial()
    fits = doe.fit_all(study, records, model="linear")
    pages = {
        "study": study._repr_html_(),
        "plan": plan._repr_html_(),
        "records": records._repr_html_(),
        "fits": fits._repr_html_(),
        "fit": fits[f"={SCRIPT}y"]._repr_html_(),
        "sheet": doe.bench.write_sheet(plan, None, tmp_path / "sheet.html").read_text(encoding="utf-8"),
        "report": doe.write_report(tmp_path / "report.html", study, plan, records, fits).read_text(encoding="utf-8"),
    }
    for name, page in pages.items():
        found = Elements(page)
        assert not any("alert(1)" in s for s in found.scripts), name
        assert not found.handlers, name
        assert SCRIPT in found.text, name


def test_the_reader_of_elements_sees_scripts():
    assert Elements(SCRIPT).scripts == ["alert(1)"]
    assert Elements("<b onclick='x'>").handlers == ["onclick"]


# ---- the package's own text

RISKY = {
    "pickle", "cPickle", "dill", "shelve", "marshal", "cloudpickle", "eval", "exec", "compile", "__import__", "read_pickle", "to_pickle",
    "extractall", "extract", "mktemp", "system", "popen",
}  # fmt: skip


@functools.cache
def calls_and_imports(source):
    """The nodes of a text that call or import."""
    return [n for n in ast.walk(ast.parse(source)) if isinstance(n, ast.Call | ast.Import | ast.ImportFrom)]


def names_used(source):
    """Names that a module's text imports or calls."""
    for node in calls_and_imports(source):
        if isinstance(node, ast.Import | ast.ImportFrom):
            yield from (a.name.partition(".")[0] for a in node.names)
            yield (getattr(node, "module", None) or "").partition(".")[0]
        elif isinstance(node, ast.Call):
            function = node.func
            if isinstance(function, ast.Name):
                yield function.id
            elif isinstance(function, ast.Attribute) and not (
                isinstance(function.value, ast.Name) and function.value.id == "re"
            ):
                yield function.attr


def test_the_reader_of_names_sees_them():
    assert {"pickle", "eval", "extractall"} <= set(names_used("import pickle.x\neval('1')\nz.extractall()"))
    assert "compile" not in set(names_used("import re\nre.compile('x')"))
    assert "compile" in set(names_used("compile('x', 'y', 'exec')"))


@pytest.mark.parametrize("path", sorted(ROOT.rglob("*.py")), ids=lambda p: str(p.relative_to(ROOT)))
def test_nothing_is_unpickled_evaluated_or_unpacked(path):
    assert not RISKY & set(names_used(path.read_text(encoding="utf-8")))


def test_every_file_is_written_whole_or_not_at_all():
    """Only doe.study.files opens a file for writing; the store has its database."""
    writes = {}
    for path in ROOT.rglob("*.py"):
        for node in calls_and_imports(path.read_text(encoding="utf-8")):
            if not isinstance(node, ast.Call):
                continue
            name = (
                node.func.attr
                if isinstance(node.func, ast.Attribute)
                else node.func.id
                if isinstance(node.func, ast.Name)
                else ""
            )
            own = isinstance(node.func, ast.Attribute)
            modes = [
                a.value
                for a in [*node.args[:2], *(k.value for k in node.keywords)]
                if isinstance(a, ast.Constant) and isinstance(a.value, str)
            ]
            opened = name in ("open", "fdopen") and any(
                re.fullmatch(r"[rwaxbt+]{1,3}", m) and set(m) & set("wax+") for m in modes
            )
            # a table without a path comes back as text and is not written
            given = own and (node.args or any(k.arg == "path_or_buf" for k in node.keywords))
            if (
                opened
                or (own and name in ("write_text", "write_bytes", "to_excel", "savefig", "touch"))
                or (given and name in ("to_csv", "to_json"))
            ):
                writes.setdefault(str(path.relative_to(ROOT)), []).append(ast.unparse(node))
    allowed = {"study/files.py", "plots/look.py"}
    assert set(writes) <= allowed, writes
    assert all("out" in w for w in writes["plots/look.py"])  # a picture goes to memory first
