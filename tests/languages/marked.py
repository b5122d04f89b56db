"""Which texts are marked for translation in code and pages, found without the tools of gettext."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

from django.conf import settings
from django.utils.translation.template import templatize

# Name of the call, and at which places its texts stand.
CALLS = {
    "_": (0,),
    "gettext": (0,),
    "gettext_lazy": (0,),
    "gettext_noop": (0,),
    "worded": (0,),
    "ngettext": (0,),
    "ngettext_lazy": (0,),
    "worded_many": (0,),
    "pgettext": (1,),
    "pgettext_lazy": (1,),
    "npgettext": (1,),
}
FOLDERS = ("fleet", "scheduling", "reports", "templates")


def marked() -> Iterator[tuple[str, str]]:
    """Each file with a text that is marked in it."""
    for folder in FOLDERS:
        for path in sorted((Path(settings.BASE_DIR) / folder).rglob("*")):
            name = str(path.relative_to(settings.BASE_DIR))
            if path.suffix == ".py":
                yield from ((name, text) for text in _in_code(path.read_text()))
            elif path.suffix in (".html", ".txt") and folder == "templates":
                pages = templatize(path.read_text(), origin=name)
                yield from ((name, text) for text in _in_page(pages))


def _in_code(source: str) -> Iterator[str]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call):
            called = getattr(node.func, "id", getattr(node.func, "attr", ""))
            for place in CALLS.get(called, ()):
                text = node.args[place] if place < len(node.args) else None
                if isinstance(text, ast.Constant) and isinstance(text.value, str):
                    yield text.value


def _in_page(source: str) -> Iterator[str]:
    """Read the calls that Django puts in the place of a page's texts; all else is crossed out."""
    for name, places in CALLS.items():
        start = 0
        while (at := source.find(f" {name}(", start)) >= 0:
            start = at + 1
            call = _whole_call(source, at + 1)
            if call is not None:
                node = ast.parse(call, mode="eval").body
                assert isinstance(node, ast.Call)
                yield ast.literal_eval(node.args[places[0]])


def _whole_call(source: str, start: int) -> str | None:
    """The call that begins here, up to the bracket that ends it."""
    end = start
    while (end := source.find(")", end + 1)) >= 0 and end - start < 4000:
        try:
            ast.parse(source[start : end + 1], mode="eval")
        except SyntaxError:
            continue
        return source[start : end + 1]
    return None
