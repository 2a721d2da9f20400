"""How the desk looks: one style sheet over the theme's own colours."""

from __future__ import annotations

from typing import Any

from doe.panels.elements import BROWSER


def style() -> Any:
    """The style sheet as a widget."""
    import ipywidgets as widgets

    return widgets.HTML(
        f"<style>{(BROWSER / 'desk.css').read_text(encoding='utf-8')}</style>", layout={"display": "none"}
    )
