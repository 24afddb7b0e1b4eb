"""How each page of one file is made: its template, style and script lie beside the code."""

from __future__ import annotations

import base64
import hashlib
from importlib import resources

from markupsafe import Markup

from pipeline.foreign import in_page


def beside(package: str, name: str) -> str:
    """The text of a file of a package."""
    return resources.files(package).joinpath(name).read_text(encoding="utf-8")


def rendered(package: str, name: str, *, script: str, **values: object) -> str:
    """A page from a package's template and script.

    Text is escaped and passes `foreign.in_page`; a name that the template asks for and nobody
    gives is an error. The template has the script as `js`, and as `script_hash` the digest by
    which a content security policy allows that script alone.
    """
    import jinja2

    js = beside(package, script)
    digest = base64.b64encode(hashlib.sha256(js.encode()).digest()).decode()
    environment = jinja2.Environment(
        autoescape=True, undefined=jinja2.StrictUndefined, finalize=in_page
    )
    return environment.from_string(beside(package, name)).render(
        js=Markup(js), script_hash=f"sha256-{digest}", **values
    )
