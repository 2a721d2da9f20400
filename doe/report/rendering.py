"""Pages in the look of the report: one frame, `page.html`, which other rooms' pages fill in."""

from __future__ import annotations

from typing import Any

from doe.designs.plan import version


def rendered(package: str, template: str, **words: Any) -> str:
    """A page by its template.

    Parameters
    ----------
    package : str
        Where the template is; it may extend the report's `page.html`.
    template : str
        Its name.
    **words
        What it needs; the version is there.
    """
    from jinja2 import ChoiceLoader, Environment, PackageLoader, StrictUndefined  # slow to import

    environment = Environment(
        loader=ChoiceLoader([PackageLoader(package, "."), PackageLoader("doe.report", ".")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    return environment.get_template(template).render(version=version(), **words)
