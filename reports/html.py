"""The week as one self-contained HTML file.

In:    a `Bundle`.
Out:   an .html file with its styles, drawings and its own small script inside.
After: it needs no network and can reach none: the page's own policy allows only the style and the script whose hashes
       it names. Without a script all rows are there; with it tables sort, filter and fold.
"""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path

from markupsafe import Markup

from pipeline.findings.model import Bundle
from reports import page_suspects
from reports.pages import render, resource


def policy_hash(content: str) -> str:
    """Source expression for a Content-Security-Policy.

    >>> policy_hash("")
    'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='
    """
    return "sha256-" + base64.b64encode(hashlib.sha256(content.encode()).digest()).decode()


def page(bundle: Bundle) -> str:
    """The whole page as text."""
    css = resource("styles", "common.css") + resource("styles", "screen.css")
    script = resource("templates", "page.js")
    return render(
        "page.html.j2",
        bundle,
        cut=False,
        css=Markup(css),
        css_hash=policy_hash(css),
        script=Markup(script),
        script_hash=policy_hash(script),
        everything=page_suspects.everything(bundle.suspects, bundle.currency),
    )


def write_html(bundle: Bundle, path: Path) -> None:
    """Write the page of `bundle` to `path`. OSError when the disk refuses."""
    path.write_text(page(bundle), encoding="utf-8", newline="\n")
