"""What every page of ours is wrapped in: the templates and their filters, the plot library, and what the browser may run."""

from __future__ import annotations

import base64
import hashlib
import importlib.resources
from collections.abc import Mapping
from types import MappingProxyType
from typing import Any

import jinja2
from markupsafe import Markup

import benchkit
from benchkit.report.digits import celsius
from benchkit.report.legend import legend_of

__all__ = ["shell"]

TEMPLATES = ("page.html.j2", "agreement.html.j2", "tables.html.j2", "budgets.html.j2", "drift.html.j2", "many.html.j2")
SYMBOLS = {"pass": "✓", "conditional pass": "(✓)", "conditional fail": "(✗)", "fail": "✗", "not judged": "\N{EN DASH}"}


def shell(template: str, more: Mapping[str, str] = MappingProxyType({})) -> tuple[jinja2.Template, dict[str, Any]]:
    """
    A page's template, and the values that each page needs whatever it tells.

    Args:
        template: Name of one of ours, or of one of `more`.
        more: Text of templates that are not kept here, by name.
    """
    # Late: only a page needs it, and every other verb starts faster without.
    from plotly.offline import get_plotlyjs, get_plotlyjs_version

    library, script = get_plotlyjs(), _own("page.js")
    environment = jinja2.Environment(
        loader=jinja2.DictLoader({**{name: _own(name) for name in TEMPLATES}, **more}),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        finalize=_unbroken,
    )
    environment.filters.update(
        celsius=celsius, symbol=SYMBOLS.__getitem__, slug=lambda text: text.replace(" ", "-"), legend=legend_of
    )
    return environment.get_template(template), {
        "policy": _policy(library, script),
        "style": Markup(_own("page.css")),
        "script": Markup(script),
        "library": Markup(library),
        "written_with": f"benchkit {benchkit.__version__}, plotly.js {get_plotlyjs_version()}",
    }


def _unbroken(value: Any) -> Any:
    """No line ends between "±" and its number. What is no text, or is the page's own script and data, as it is."""
    return value.replace("± ", "±\N{NO-BREAK SPACE}") if isinstance(value, str) and not isinstance(value, Markup) else value


def _own(name: str) -> str:
    return (importlib.resources.files("benchkit.report") / "templates" / name).read_text(encoding="utf-8")


def _policy(*scripts: str) -> str:
    """
    Content security policy: only the scripts written here run, and nothing is fetched.

    A text from a file is escaped; should one ever slip through, the browser still won't run it.
    """
    hashes = " ".join(f"'sha256-{base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()}'" for script in scripts)
    return (
        f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src data: blob:; font-src data:; "
        "base-uri 'none'; form-action 'none'"
    )
