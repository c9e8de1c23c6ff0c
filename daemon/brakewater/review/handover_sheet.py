"""The change of crew on paper: one page that needs nothing beside itself, with lines to sign on by hand."""

from collections.abc import Mapping
from html import escape
from typing import Any, Final

from brakewater.review.handover import Line
from brakewater.wording import Wording

_STYLE: Final = """
@page { margin: 15mm }
body { font: 11pt/1.4 system-ui, sans-serif; color: #111; background: #fff; max-width: 180mm; margin: 1em auto }
h1 { font-size: 16pt; margin: 0 } h2 { font-size: 12pt; margin: 1em 0 .2em; page-break-after: avoid }
ul { margin: 0; padding-left: 1.2em } li { page-break-inside: avoid }
.sign { display: flex; gap: 2em; margin-top: 3em; page-break-inside: avoid }
.sign div { flex: 1; border-top: 1px solid #111 } footer { font-size: 9pt; color: #444; margin-top: 2em }
"""


def handover_sheet(doc: Mapping[str, Any], words: Wording, language: str) -> str:
    """The document as a page that needs nothing beside itself and prints, with lines to sign on by hand.

    Args:
        doc: of ``handover_doc``.
        words: the language.
        language: its ISO 639-1 code.
    """
    parts = "".join(f"<h2>{escape(one['title'])}</h2>{_list(one['lines'], words)}" for one in doc["sections"])
    sign = "".join(f"<div>{escape(words.word(key))}</div>" for key in ("handed-by", "taken-by", "signature-time"))
    title = f"{doc['title']}, {doc['rig']}"
    damaged = "".join(f"<p><strong>{escape(says)}</strong></p>" for says in doc["damaged"])
    return (
        f'<!doctype html><html lang="{language}"><head><meta charset="utf-8"><title>{escape(title)}</title>'
        f"<style>{_STYLE}</style></head><body><h1>{escape(title)}</h1><p>{escape(doc['tour'])}</p>{damaged}{parts}"
        f"<h2>{escape(words.word('signed'))}</h2>{_list(doc['signed'], words)}"
        f'<div class="sign">{sign}</div><footer>{escape(doc["caution"])}</footer></body></html>'
    )


def _list(lines: list[Line], words: Wording) -> str:
    if not lines:
        return f"<p>{escape(words.word('none'))}</p>"
    items = (f'<li title="{one["utc"] or ""}">{escape(str(one["text"]))}</li>' for one in lines)
    return f"<ul>{''.join(items)}</ul>"
