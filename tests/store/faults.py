"""Run as a script with a JSON list of tasks: write in every way, be killed, run out of disk, write all at once; say in JSON what came of it.

The package is imported once; each attempt is a fork of this process. A fork that is to die kills itself (SIGKILL) at a counted instruction
of SQLite or a counted call to the system, at the latest when the writing returns, or is killed by its parent at a random moment of the time
that the writing takes.
"""

import contextlib
import json
import os
import random
import resource
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
import traceback
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

import store_trials as trials

import doe
from doe.bench.intake import Reading, data_frame
from doe.bench.records import Records
from doe.store.engine import Database
from doe.study.files import write_text

NAME = "clear gel (invented)"


def fork(work, kill_at=None, after=None, counted=False):
    """Run `work` in a fork. Returns (how it ended, seconds, what it said): "done", "killed" or "failed"; `counted`: it says its steps."""
    said, says = os.pipe()
    ready, get_ready = os.pipe()
    child = os.fork()
    if child == 0:
        try:
            steps = step_by_step(kill_at) if counted or kill_at is not None else None
            os.write(get_ready, b"x")
            answer = work()
            if kill_at is not None:  # fewer steps than asked for: die before the process can end well
                os.kill(os.getpid(), signal.SIGKILL)
            if counted:
                answer = steps()
            os.write(says, json.dumps({"said": answer}).encode())
        except BaseException as problem:
            os.write(says, json.dumps({"problem": f"{type(problem).__name__}: {problem}"}).encode())
            os._exit(1)
        os._exit(0)
    os.close(says)
    os.close(get_ready)
    os.read(ready, 1)
    start = time.perf_counter()
    if after is not None:
        time.sleep(after)
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, signal.SIGKILL)
    _, status = os.waitpid(child, 0)
    seconds = time.perf_counter() - start
    text = os.read(said, 1 << 20)
    os.close(said)
    os.close(ready)
    ended = (
        "killed"
        if os.WIFSIGNALED(status) and os.WTERMSIG(status) == signal.SIGKILL
        else "done"
        if status == 0
        else "failed"
    )
    return ended, seconds, json.loads(text) if text else {}


def step_by_step(kill_at=None):
    """Count instructions of SQLite, a hundred at a time, and calls to the system that Python's audit hooks see; die at the `kill_at`-th.

    Returns a function that tells the count so far.
    """
    steps = 0

    def tick(*_):
        nonlocal steps
        steps += 1
        if steps == kill_at:
            os.kill(os.getpid(), signal.SIGKILL)
        return 0

    connect = Database._connect

    def watched(self):
        connection = connect(self)
        connection.set_progress_handler(tick, 100)
        return connection

    Database._connect = watched
    sys.addaudithook(
        lambda event, _: tick() if event.startswith(("os.", "open", "sqlite3.", "tempfile.", "fcntl.")) else None
    )
    return lambda: steps


# ---- every way to write


class Way:
    """A way to write: `prepare` makes the old state, `write` goes over to the new one, `state` says which is there ("old", "new")."""

    def __init__(self, folder):
        self.folder = folder
        self.prepare()

    def prepare(self): ...


class InStore(Way):
    @property
    def url(self):
        return os.environ.get("DOE_FAULTS_URL") or str(self.folder / "trials.db")

    def prepare(self):
        self.old, self.new = trials.small_records(runs=[1, 2, 3]), trials.full_records()
        with doe.Store(self.url, who="Ada") as store:
            store.save(self.old, why=f"start {random.random()}")
            self.versions = len(store.versions("records", NAME))
            self.before = store.load("records", NAME)

    def write(self):
        with doe.Store(self.url, who="Grace") as store:
            store.save(self.new, why="new sheet")

    def state(self):
        with doe.Store(self.url, who="Emmy") as store:
            store.check()
            found, count = store.load("records", NAME), len(store.versions("records", NAME))
        if count == self.versions:
            trials.assert_same_records(found, self.before)
            return "old"
        assert count == self.versions + 1
        self.assert_new(found)
        return "new"

    def assert_new(self, found):
        trials.assert_same_records(found, self.new)


class MakeStore(InStore):
    def prepare(self):
        self.before, self.versions, self.new = None, 0, trials.full_records()

    def state(self):
        with doe.Store(self.url, who="Emmy") as store:
            store.check()
            if NAME not in store.names("records"):
                assert store.names().empty
                return "old"
        self.versions = 0
        return super().state()


class Correct(InStore):
    def write(self):
        with doe.Store(self.url, who="Grace") as store:
            store.correct(1, "pH", 6.25, "decimal slipped", records=NAME)

    def assert_new(self, found):
        assert found.data.set_index(["run", "response"])["value"][1, "pH"] == 6.25


class Import(MakeStore):
    def prepare(self):
        with doe.Store(self.folder / "source.db", who="Ada") as source:
            source.save(trials.full_records())
            source.export(self.folder / "trial.zip")
        self.before, self.versions, self.new = None, 0, trials.full_records()

    def write(self):
        with doe.Store(self.url, who="Grace") as store:
            store.import_(self.folder / "trial.zip")


class Export(InStore):
    def prepare(self):
        super().prepare()
        self.zip = self.folder / "trial.zip"
        with doe.Store(self.url) as store:
            store.export(self.zip)
            self.content = self.zip.read_bytes()
            store.correct(1, "pH", 6.25, "decimal slipped", records=NAME)

    def write(self):
        with doe.Store(self.url) as store:
            store.export(self.zip)

    def state(self):
        with doe.Store(self.folder / "copy.db", who="x") as copy:
            copy.import_(self.zip)
            value = copy.load("records", NAME).data.set_index(["run", "response"])["value"][1, "pH"]
        for name in ("copy.db", "copy.db-journal"):
            (self.folder / name).unlink(missing_ok=True)
        same = self.zip.read_bytes() == self.content
        assert value == (6.01 if same else 6.25)
        return "old" if same else "new"


class InFile(Way):
    def prepare(self):
        self.path = self.folder / self.file
        self.once(trials.small_plan(trials.small_study("old name")))
        self.old = self.path.read_bytes()
        self.new_plan = trials.small_plan(trials.small_study("a new and longer name"))
        self.once(self.new_plan)
        self.new = self.path.read_bytes()
        self.path.write_bytes(self.old)

    def write(self):
        self.once(self.new_plan)

    def state(self):
        found = self.path.read_bytes()
        if found == self.old:
            return "old"
        assert len(found) == len(self.new)  # a workbook says when it was made
        assert found == self.new or self.path.suffix == ".xlsx"
        return "new"


class StudyFile(InFile):
    file = "study.json"

    def once(self, plan):
        plan.study.save(self.path)


class PlanFile(InFile):
    file = "plan.json"

    def once(self, plan):
        plan.save(self.path)


class RecordsFile(InFile):
    file = "records.csv"

    def once(self, plan):
        trials.full_records(plan if "new" in plan.study.name else trials.small_plan()).save(self.path)

    def prepare(self):
        self.path = self.folder / self.file
        trials.small_records(runs=[1]).save(self.path)
        self.old = self.path.read_bytes()
        self.new_plan = trials.small_plan(trials.small_study("a new and longer name"))
        self.once(self.new_plan)
        self.new = self.path.read_bytes()
        self.path.write_bytes(self.old)


class SheetFile(InFile):
    file = "sheet.html"

    def once(self, plan):
        doe.bench.write_sheet(plan, None, self.path)


class WorkbookFile(SheetFile):
    file = "sheet.xlsx"

    def state(self):
        found = self.path.read_bytes()
        if found != self.old:
            assert doe.bench.read_sheet(self.path, self.new_plan).plan is self.new_plan
        return "old" if found == self.old else "new"


class PageFile(InFile):
    """A page as long as a report with its pictures."""

    file = "report.html"

    def once(self, plan):
        write_text(self.path, f"<p>{plan.study.name}</p>" * 100_000)


IN_STORE = (InStore, MakeStore, Correct, Import, Export)
WAYS = (*IN_STORE, StudyFile, PlanFile, RecordsFile, SheetFile, WorkbookFile, PageFile)


def kills(number, seed, ways=WAYS):
    """Be killed `number` times, the ways in turn; every time the old state or the new one must be there, whole."""
    rng = random.Random(seed)
    count, states, tries = {w.__name__: 0 for w in ways}, {"old": 0, "new": 0}, 0
    lasts, steps = {}, {}
    while sum(count.values()) < number:
        way_class = min(ways, key=lambda w: count[w.__name__])
        tries += 1
        assert tries < 6 * number + 60, f"too few attempts die: {count}"
        with tempfile.TemporaryDirectory() as folder:
            way = way_class(Path(folder))
            if way_class not in lasts:  # how long it takes undisturbed, and that it does go over to the new state
                ended, seconds, told = fork(way.write, counted=True)
                assert (ended, way.state()) == ("done", "new"), told
                lasts[way_class], steps[way_class] = seconds, told["said"]
                continue
            turn, all_steps = tries % 4, steps[way_class]
            if not all_steps and turn < 2:  # a server's client takes no step that Python sees: by the clock alone
                turn = 3
            if turn == 0:  # somewhere in the writing
                ended, _, told = fork(way.write, kill_at=rng.randint(1, all_steps))
            elif turn == 1:  # around its end, where the old state becomes the new one
                ended, _, told = fork(way.write, kill_at=all_steps + 1 - rng.randint(1, min(8, all_steps)))
            elif turn == 2:  # as soon as it has returned: what was said to be written is there
                ended, _, told = fork(way.write, kill_at=2 * all_steps)
            else:
                ended, _, told = fork(way.write, after=rng.uniform(0, 1.1 * lasts[way_class]))
            assert ended != "failed", told
            state = way.state()
            if turn == 2:
                assert (ended, state) == ("killed", "new")
            if ended == "done":
                assert state == "new"
                continue
            count[way_class.__name__] += 1
            states[state] += 1
            ended, _, told = fork(way.write) if state == "old" else ("done", 0, "")  # it can be done again
            assert (ended, way.state()) == ("done", "new"), told
            left = [p for p in Path(folder).iterdir() if p.suffix == ".part"]
            assert len(left) <= 1  # what a killed process leaves behind is a hidden file beside the whole one
            assert all(p.name.startswith(".") for p in left)
    return {"kills": sum(count.values()), "by way": count, "states": states}


# ---- many at once


def writers(number, each, at_once, url):
    """`number` processes add `each` readings, `at_once` with each saving, every saving done twice."""
    factors = [doe.Continuous(f"f{i}", 0, 1) for i in range(6)]
    plan = doe.designs.full_factorial(doe.Study("many", factors, [doe.Response("pH")]))
    with doe.Store(url, who="first") as store:
        store.save(Records(plan, data_frame([])))

    def write(run):
        with doe.Store(url, who=f"writer {run}") as store:
            for start in range(0, each, at_once):
                rows = [
                    Reading(run, run, k + 1, "", "", "pH", v := 5 + run / 100 + k / 1e4, v, v, "")
                    for k in range(start, start + at_once)
                ]
                records = Records(plan, data_frame(rows))
                assert store.save(records).added == at_once
                assert store.save(records).unchanged == at_once

    start = time.perf_counter()
    children = []
    for run in range(1, number + 1):
        child = os.fork()
        if child == 0:
            code = 1
            try:
                write(run)
                code = 0
            except BaseException as problem:
                print(type(problem).__name__, problem, file=sys.stderr)
            os._exit(code)
        children.append(child)
    codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    seconds = time.perf_counter() - start
    with doe.Store(url, who="last") as store:
        store.check()
        data, versions = store.load("records", "many").data, store.versions("records", "many")
    expected = {(r, k + 1, 5 + r / 100 + k / 1e4) for r in range(1, number + 1) for k in range(each)}
    found = list(zip(data["run"], data["replicate"], data["value"], strict=True))
    return {
        "failed": sum(c != 0 for c in codes),
        "lost": len(expected - set(found)),
        "doubled": len(found) - len(set(found)),
        "other": len(set(found) - expected),
        "versions": len(versions) - 1,
        "writers seen": versions["who"].nunique() - 1,
        "seconds": seconds,
    }


def corrections(number, url):
    """`number` processes correct the same reading at once: each correction stands in the history."""
    with doe.Store(url, who="first") as store:
        store.save(trials.small_records(runs=[1, 2, 3]))

    def write(i):
        with doe.Store(url, who=f"writer {i}") as store:
            store.correct(1, "pH", 7 + i / 100, f"reason {i}")

    children = []
    for i in range(number):
        child = os.fork()
        if child == 0:
            code = 1
            with contextlib.suppress(BaseException):
                write(i)
                code = 0
            os._exit(code)
        children.append(child)
    codes = [os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) for child in children]
    with doe.Store(url, who="last") as store:
        table = store.history(1).table
        last = store.load("records", NAME).data.set_index(["run", "response"])["value"][1, "pH"]
    corrected = table[table["entry"] == "corrected"]
    chained = list(corrected["was"])[1:] == list(corrected["value"])[:-1] and float(corrected["value"].iloc[-1]) == last
    return {
        "failed": sum(c != 0 for c in codes),
        "corrections": len(corrected),
        "reasons": corrected["why"].nunique(),
        "chained": bool(chained),
    }


# ---- no room, no right


def full_disk(steps):
    """Files may not grow beyond a size: every way to write says so in one sentence, and the old state is there."""
    said = {}
    for way_class in WAYS:
        for step in range(steps):
            with tempfile.TemporaryDirectory() as folder:
                way = way_class(Path(folder))
                sizes = [p.stat().st_size for p in Path(folder).iterdir()] or [0]
                limit = 256 + int(max(sizes) * step / steps)

                def work(way=way, limit=limit):
                    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
                    try:
                        way.write()
                    except doe.StudyError as problem:
                        return str(problem).replace(str(way.folder), "FOLDER")
                    return ""

                ended, _, told = fork(work)
                assert ended == "done", (way_class.__name__, told)
                if told["said"]:
                    said.setdefault(way_class.__name__, set()).add(told["said"])
                    assert way.state() == "old"
                else:
                    assert way.state() == "new"
                assert not [p for p in Path(folder).iterdir() if p.suffix == ".part"]
    return {name: sorted(texts) for name, texts in said.items()}


def full_pages():
    """SQLite may not use more pages than it has."""
    with tempfile.TemporaryDirectory() as folder:
        way = InStore(Path(folder))
        factors = [doe.Continuous(f"f{i}", 0, 1) for i in range(8)]
        big = trials.small_plan(doe.Study("big", factors, [doe.Response("pH")]))

        def work():
            connect = Database._connect

            def limited(self):
                connection = connect(self)
                connection.execute("PRAGMA max_page_count = 1")  # SQLite takes the present count where this is less
                return connection

            Database._connect = limited
            try:
                with doe.Store(way.url, who="Grace") as store:
                    store.save(big)
            except doe.StudyError as problem:
                return str(problem).replace(str(way.folder), "FOLDER")
            return ""

        ended, _, told = fork(work)
        assert ended == "done", told
        assert way.state() == "old"
        with doe.Store(way.url, who="Emmy") as store:
            assert store.names("plan") == [NAME]
        return told["said"]


def read_only():
    """A folder in which nothing may be written, seen by someone who is not root."""
    folder = Path(tempfile.mkdtemp())
    try:
        way = InStore(folder)
        new = StudyFile(folder)
        way.state()  # everything is imported before the rights are given up
        new.write()
        os.chmod(folder / "trials.db", 0o444)
        os.chmod(folder, 0o555)

        def work():
            if os.getuid() == 0:
                os.setgroups([])
                os.setgid(65534)
                os.setuid(65534)
            said = {}

            def sentence(what, call):
                try:
                    call()
                    said[what] = ""
                except doe.StudyError as problem:
                    said[what] = str(problem).replace(str(folder), "FOLDER")

            store = doe.Store(folder / "trials.db", who="Grace")
            said["runs read"] = int(store.load("records", NAME).data["run"].nunique())
            said["check"] = store.check().replace(str(folder), "FOLDER")
            sentence("save", lambda: store.save(trials.small_plan(), "x"))
            sentence("correct", lambda: store.correct(1, "pH", 6.3, "x"))
            sentence("export", lambda: store.export(folder / "x.zip"))
            sentence("make", lambda: doe.Store(folder / "new.db", who="Grace"))
            sentence("study", lambda: new.write())
            return said

        ended, _, told = fork(work)
        assert ended == "done", told
        return told["said"]
    finally:
        os.chmod(folder, 0o755)
        shutil.rmtree(folder)


def held(seconds):
    """Another program holds the file for longer than a writer waits."""
    with tempfile.TemporaryDirectory() as folder:
        way = InStore(Path(folder))
        holder = sqlite3.connect(way.url, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")

        def work():
            import doe.store.engine

            doe.store.engine.PATIENCE = seconds
            try:
                way.write()
            except doe.StudyError as problem:
                return str(problem).replace(str(way.folder), "FOLDER")
            return ""

        ended, waited, told = fork(work)
        assert ended == "done", told
        assert waited >= seconds
        holder.execute("ROLLBACK")
        holder.close()
        assert way.state() == "old"
        return told["said"]


if __name__ == "__main__":
    calls = {
        "kills": kills,
        "kills in store": lambda number, seed: kills(number, seed, (InStore, Correct)),
        "writers": writers,
        "corrections": corrections,
        "full disk": full_disk,
        "full pages": full_pages,
        "read only": read_only,
        "held": held,
    }
    answers = {}
    for task, *arguments in json.loads(sys.argv[1]):
        try:
            answers[task] = {"found": calls[task](*arguments)}
        except Exception:
            answers[task] = {"problem": traceback.format_exc()}
    print(json.dumps(answers))
