"""`python -m doe lab` driven by a browser: a server of its own, a notebook on screen, and everything that went wrong there.

An exception in a widget's callback is shown nowhere on the page; it is taken from the kernel's own messages. Requests to other hosts are
stopped and noted: nothing may need a network.
"""

import contextlib
import json
import os
import re
import secrets
import signal
import socket
import subprocess
import sys
import time
import urllib.request
from pathlib import Path
from urllib.parse import quote

import doe

CHROMIUM = "/usr/bin/chromium"  # Debian's
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-first-run",
]
OURS = re.compile(r"^(https?|wss?)://127\.0\.0\.1[:/]|^(data|blob|about):")
PATIENCE = 120.0  # seconds for one step; a machine under load is slow, not wrong

# JupyterLab's own, seen on an empty notebook: a folder without an icon, a browser that does not use what it was told to load early
NOISE = re.compile(r"favicon\.ico|preloaded using link preload|React DevTools")

ON_SCREEN = """() => {
  const shown = window.jupyterapp && window.jupyterapp.shell.currentWidget;
  const context = shown && shown.sessionContext;
  return !!(context && context.isReady && context.session && context.session.kernel
    && context.session.kernel.status === 'idle' && document.querySelector('.jp-Notebook .jp-Cell'));
}"""

# Listens to every message of the kernel, also to those that answer a widget; a restart keeps the connection.
LISTEN = """() => {
  const kernel = window.jupyterapp.shell.currentWidget.sessionContext.session.kernel;
  window.heard = {errors: [], last: performance.now(), changed: performance.now()};
  kernel.anyMessage.connect((_, got) => {
    window.heard.last = performance.now();
    const {header, parent_header, content} = got.msg;
    if (got.direction !== 'recv') return;
    if (header.msg_type === 'error')
      window.heard.errors.push({during: parent_header.msg_type, error: content.ename + ': ' + content.evalue});
    if (header.msg_type === 'stream' && content.name === 'stderr' && content.text.includes('Traceback'))
      window.heard.errors.push({during: parent_header.msg_type, error: content.text.trim().split('\\n').pop()});
  });
  new MutationObserver(() => { window.heard.changed = performance.now(); })
    .observe(document.body, {childList: true, subtree: true, characterData: true, attributes: true, attributeFilter: ['src', 'aria-valuenow']});
}"""

QUIET = """(milliseconds) => {
  const kernel = window.jupyterapp.shell.currentWidget.sessionContext.session?.kernel;
  const since = performance.now() - Math.max(window.heard.last, window.heard.changed);
  return kernel && kernel.status === 'idle' && since > milliseconds;
}"""

CELLS = """() => window.jupyterapp.shell.currentWidget.content.widgets.filter(c => c.model.type === 'code').map(c => ({
  first: c.model.sharedModel.source.split('\\n')[0],
  count: c.model.executionCount,
  errors: c.model.outputs.toJSON().filter(o => o.output_type === 'error').map(o => o.ename + ': ' + o.evalue),
}))"""

BROKEN = """() => [...document.querySelectorAll('.jupyter-widgets-error-widget')].map(e => e.innerText.slice(0, 300))
  .concat([...document.querySelectorAll('.jp-OutputArea-output')].map(e => e.innerText)
    .filter(t => /Error displaying widget|Error creating widget|Loading widget|Could not process output/.test(t)))"""


def free_port() -> int:
    """A port that nobody listens on."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class Lab:
    """`python -m doe lab`, started as a person starts it, with settings and folders of its own.

    Port, token and the leave to run as root stand in a configuration file, as they would on a person's own machine.
    """

    def __init__(self, home: Path) -> None:
        self.notebooks = home / "notebooks"
        self.token = secrets.token_hex(16)
        self.port = free_port()
        self.base = f"http://127.0.0.1:{self.port}"
        package = str(Path(doe.__file__).parent.parent)
        environment = dict(os.environ)
        environment.pop("JUPYTER_TOKEN", None)
        environment["PYTHONPATH"] = os.pathsep.join(p for p in (package, environment.get("PYTHONPATH")) if p)
        environment["PATH"] = str(Path(sys.executable).parent) + os.pathsep + environment.get("PATH", "")
        for kind in ("config", "data", "runtime"):
            (home / kind).mkdir()
            environment[f"JUPYTER_{kind.upper()}_DIR"] = str(home / kind)
        environment["JUPYTERLAB_SETTINGS_DIR"] = str(home / "settings")
        environment["JUPYTERLAB_WORKSPACES_DIR"] = str(home / "workspaces")
        environment["IPYTHONDIR"] = str(home / "ipython")
        settings = {
            "ServerApp": {"ip": "127.0.0.1", "port": self.port, "port_retries": 0, "allow_root": True},
            "IdentityProvider": {"token": self.token},
            "LabApp": {"expose_app_in_browser": True},
        }
        (home / "config" / "jupyter_server_config.json").write_text(json.dumps(settings), encoding="utf-8")
        for plugin, values in {
            # cells far down are not drawn until they are scrolled to; a test looks at all of them
            "@jupyterlab/notebook-extension/tracker": {"windowingMode": "none"},
            "@jupyterlab/docmanager-extension/plugin": {"autosave": False},
        }.items():
            file = home / "settings" / f"{plugin}.jupyterlab-settings"
            file.parent.mkdir(parents=True, exist_ok=True)
            file.write_text(json.dumps(values), encoding="utf-8")
        self.log = home / "server.log"
        self.started = time.monotonic()
        with self.log.open("wb") as log:
            self.process = subprocess.Popen(
                [sys.executable, "-m", "doe", "lab", "--no-browser", "--folder", str(self.notebooks)],
                cwd=home,
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
                start_new_session=True,
            )

    @property
    def seconds(self) -> float:
        """Since the command was given."""
        return time.monotonic() - self.started

    def wait(self) -> float:
        """Wait until the server answers; the seconds that took."""
        while self.seconds < PATIENCE:
            if self.process.poll() is not None:
                break
            with contextlib.suppress(OSError):
                self.asked("api/status")
                return self.seconds
            time.sleep(0.05)
        raise AssertionError(
            "the server did not start:\n" + self.log.read_text(encoding="utf-8", errors="replace")[-3000:]
        )

    def asked(self, path: str, method: str = "GET") -> bytes:
        """What the server answers."""
        request = urllib.request.Request(f"{self.base}/{path}", method=method, data=b"" if method == "POST" else None)
        request.add_header("Authorization", f"token {self.token}")
        with urllib.request.urlopen(request, timeout=30) as answer:
            return bytes(answer.read())

    def stop(self) -> None:
        """End the server, its kernels, and the command that started it."""
        if self.process.poll() is None:
            with contextlib.suppress(OSError):
                self.asked("api/shutdown", "POST")
            try:
                self.process.wait(30)
            except subprocess.TimeoutExpired:
                with contextlib.suppress(ProcessLookupError):
                    os.killpg(self.process.pid, signal.SIGKILL)  # the group that this object started
                self.process.wait(10)


class OnScreen:
    """A notebook open in the browser.

    Attributes
    ----------
    console, elsewhere, refused : list of str
        Errors of the page, requests to other hosts (stopped), and answers of 400 and above.
    """

    def __init__(self, page, lab: Lab, name: str, pictures: Path) -> None:
        self.page, self.lab, self.name, self.pictures = page, lab, name, pictures
        self.console: list[str] = []
        self.elsewhere: list[str] = []
        self.refused: list[str] = []
        page.set_default_timeout(PATIENCE * 1000)
        page.on("console", self._hear)
        page.on("pageerror", lambda problem: self.console.append(str(problem)))
        page.on("response", self._answered)
        page.route("**/*", self._let_through)

    def _hear(self, message) -> None:
        where = message.location.get("url", "")
        if message.type == "error" and not NOISE.search(f"{message.text} {where}"):
            self.console.append(f"{message.text} ({where})")

    def _answered(self, response) -> None:
        if response.status >= 400 and not NOISE.search(response.url):
            self.refused.append(f"{response.status} {response.url.split('?')[0]}")

    def _let_through(self, route) -> None:
        if OURS.match(route.request.url):
            route.continue_()
        else:
            self.elsewhere.append(route.request.url)
            route.abort()

    def open(self) -> None:
        """Bring the notebook up, its kernel ready."""
        self.page.goto(f"{self.lab.base}/doc/tree/{quote(self.name)}?token={self.lab.token}", wait_until="commit")
        self.page.wait_for_function(ON_SCREEN)
        self.page.evaluate(LISTEN)

    def run_all(self) -> None:
        """Run every cell as Run All Cells does, which stops at the first error, and wait until all is drawn."""
        self.page.evaluate("() => window.jupyterapp.commands.execute('notebook:run-all-cells')")
        self.settle()

    def settle(self, quiet: int = 500) -> None:
        """Wait until the kernel is idle and neither it nor the page has stirred for `quiet` milliseconds."""
        self.page.wait_for_function(QUIET, arg=quiet, polling=50)

    def restart_kernel(self) -> None:
        """A new kernel that knows nothing; the page stays."""
        self.page.evaluate("() => window.jupyterapp.shell.currentWidget.sessionContext.session.kernel.restart()")
        self.page.wait_for_function(ON_SCREEN)

    def control(self, name: str, nth: int = 0):
        """A control by its accessible name: its aria-label, or the label beside it."""
        found = self.page.locator(".jp-Notebook").get_by_label(name, exact=True)
        found.nth(nth).wait_for()
        return found.nth(nth)

    def button(self, name: str, nth: int = 0):
        """A button by what stands on it."""
        return self.page.locator(".jp-Notebook").get_by_role("button", name=name, exact=True).nth(nth)

    def slider(self, label: str):
        """A slider's handle by the label beside it, since ipywidgets gives handles no name."""
        box = self.page.locator(".widget-slider").filter(has=self.page.locator(".widget-label", has_text=label))
        return box.first.locator("[role=slider]")

    def cells(self) -> list[dict]:
        """Of each code cell: first line, count (None: did not run), errors."""
        return list(self.page.evaluate(CELLS))

    def heard(self) -> list[str]:
        """Errors that the kernel told, those of callbacks among them."""
        return [f"{e['error']} (during {e['during']})" for e in self.page.evaluate("() => window.heard.errors")]

    def problems(self) -> list[str]:
        """Everything that a person should not meet, in words; empty where all is well."""
        found = [f"kernel: {e}" for e in self.heard()]
        found += [f"cell did not run: {c['first']}" for c in self.cells() if c["count"] is None]
        found += [f"widget not shown: {text}" for text in self.page.evaluate(BROKEN)]
        found += [f"console: {text}" for text in self.console]
        found += [f"request to another host: {url}" for url in self.elsewhere]
        return found + [f"answer: {text}" for text in self.refused]

    def picture(self, name: str) -> Path:
        """The page as it stands, the whole notebook, as a PNG file."""
        file = self.pictures / f"{name}.png"
        size = self.page.viewport_size
        tall = self.page.evaluate("() => document.querySelector('.jp-WindowedPanel-outer, .jp-Notebook').scrollHeight")
        self.page.set_viewport_size({"width": size["width"], "height": min(int(tall) + 200, 16000)})
        self.page.wait_for_timeout(300)
        self.page.screenshot(path=file)
        self.page.set_viewport_size(size)
        return file


def missing() -> str:
    """What a browser test needs and this machine lacks, in words; empty where all is there."""
    import importlib.util

    for module, where in (("playwright", "the extra 'test'"), ("jupyterlab", "the extra 'notebook'")):
        if importlib.util.find_spec(module) is None:
            return f"{module} is not installed (it comes with {where})"
    if not Path(CHROMIUM).exists():
        return f"there is no {CHROMIUM} (on Debian: apt-get install chromium)"
    return ""


@contextlib.contextmanager
def chromium():
    """Debian's chromium, headless."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, headless=True, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()
