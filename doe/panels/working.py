"""Work that takes a while: done off the page's own thread, with a bar, words, and a way to stop it."""

from __future__ import annotations

import atexit
import ctypes
import threading
import weakref
from collections.abc import Callable
from html import escape
from time import monotonic
from typing import Any

import ipywidgets as widgets

from doe.panels.entry_fields import button

PATIENCE = 5.0  # seconds that an ending kernel gives to threads still at work

_at_work: weakref.WeakSet[Work | Latest] = weakref.WeakSet()


@atexit.register
def _end_well() -> None:
    """Stop what is long and let what is short end: Python cannot shut down under a thread that is inside a compiled library."""
    until = monotonic() + PATIENCE
    for one in list(_at_work):
        if isinstance(one, Work):
            one.cancel()
    for one in list(_at_work):
        one.wait(max(0.0, until - monotonic()))


class StoppedError(KeyboardInterrupt):
    """The user stopped the work; searches take it as they take an interrupt, and give the best they have."""


class Work:
    """One piece of long work at a time.

    Parameters
    ----------
    guard : callable
        Runs a function and says what went wrong in it (a panel's own guard).
    say : callable
        Shows a line of text.
    """

    def __init__(self, guard: Callable[[Callable[[], Any]], Any], say: Callable[[str], None]) -> None:
        self._guard, self._say = guard, say
        self.bar = widgets.HTML()
        self.stop = button("Stop", "Stop this work; what was there before stays")
        self.stop.on_click(lambda _: self.cancel())
        self.view = widgets.HBox([self.bar, self.stop], layout={"display": "none"})
        self.view.add_class("doe-work")
        self._thread: threading.Thread | None = None
        self._asked_to_stop = threading.Event()

    @property
    def busy(self) -> bool:
        """Whether it is at work."""
        return self._thread is not None and self._thread.is_alive()

    def start(self, words: str, task: Callable[[Callable[..., None]], Any], done: Callable[[Any], None]) -> None:
        """Do `task(tell)` beside the page and `done(result)` when it is ready; `tell(words, share)` moves the bar."""
        if self.busy:
            self._say("Still at work: wait until it is ready, or stop it.")
            return
        self._asked_to_stop.clear()
        self.stop.disabled = False
        self.tell(words)
        self.view.layout.display = "flex"
        self._thread = threading.Thread(target=self._run, args=(words, task, done), daemon=True)
        _at_work.add(self)
        self._thread.start()

    def tell(self, words: str, share: float | None = None) -> None:
        """Say how far it is; without a share the bar only says that it goes on."""
        value = "" if share is None else f' value="{min(max(share, 0.0), 1.0):.3f}"'
        text = escape(words, quote=True)
        self.bar.value = (
            f'<div class="doe-bar"><progress max="1"{value} aria-label="{text}"></progress><span>{text}</span></div>'
        )

    def cancel(self) -> None:
        """Stop at the next step of the work."""
        if not self.busy or self._thread is None:
            return
        self.stop.disabled = True
        self._asked_to_stop.set()
        # the way Python itself has to interrupt a thread: the exception rises at its next step
        ctypes.pythonapi.PyThreadState_SetAsyncExc(
            ctypes.c_ulong(self._thread.ident or 0), ctypes.py_object(StoppedError)
        )

    def wait(self, seconds: float = 60.0) -> None:
        """Wait until it is ready (in code and in tests)."""
        if self._thread is not None:
            self._thread.join(seconds)

    def _run(self, words: str, task: Callable[[Callable[..., None]], Any], done: Callable[[Any], None]) -> None:
        def act() -> None:
            result = task(self.tell)
            if self._asked_to_stop.is_set():
                self._say(f"Stopped early: {words[0].lower()}{words[1:]} gave the best it had.")
            done(result)

        try:
            try:
                self._guard(act)
            finally:
                self.view.layout.display = "none"
        except StoppedError:
            self.view.layout.display = "none"
            self._say("Stopped. Nothing was changed.")


class Latest:
    """Calls done one after the other beside the page; of those that wait only the latest is done.

    Parameters
    ----------
    call : callable
        Takes what `ask` was given.
    """

    def __init__(self, call: Callable[..., Any]) -> None:
        self._call = call
        self._lock = threading.Lock()
        self._waiting: tuple[Any, ...] | None = None
        self._thread: threading.Thread | None = None

    def ask(self, *given: Any) -> None:
        """Have it called with this, unless something newer is asked before its turn."""
        with self._lock:
            self._waiting = given
            if self._thread is None:
                self._thread = threading.Thread(target=self._run, daemon=True)
                _at_work.add(self)
                self._thread.start()

    def wait(self, seconds: float = 60.0) -> None:
        """Wait until nothing waits."""
        thread = self._thread
        if thread is not None and thread is not threading.current_thread():
            thread.join(seconds)

    def _run(self) -> None:
        while True:
            with self._lock:
                given, self._waiting = self._waiting, None
                if given is None:
                    self._thread = None
                    return
            self._call(*given)
