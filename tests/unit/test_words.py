"""Every language says all that English does, with the same places to fill; no page holds a word of its own."""

import json
import re
import string
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import get_args

import pytest

from brakewater import render, review
from brakewater.alarms.catalogue import CATALOGUE, STOP, Priority
from brakewater.alarms.lifecycle import State
from brakewater.alarms.performance import TARGETS
from brakewater.engine.book import PARTS
from brakewater.engine.refusals import REFUSALS
from brakewater.panel.page_files import STATIC
from brakewater.physics.scaling import ADVICE
from brakewater.quality import MEANINGS, Reason, reason_name
from brakewater.record.documents import event_doc
from brakewater.record.report import Verdict
from brakewater.review.chart_data import SAID
from brakewater.review.charts import DERIVED
from brakewater.review.charts import ROLES as ROLES_CHARTED
from brakewater.review.loop_page import HEAD
from brakewater.review.study_page import HEADS, STATES
from brakewater.review.trip_page import CAUTIONS
from brakewater.review.trip_tables import FIGURES, LISTED
from brakewater.rig.people import VERBS
from brakewater.trips.rounds import DEFAULTS
from brakewater.wording import ENGLISH, FOLDER, LANGUAGES, Wording
from rig_parts import demo_rig, event

OTHERS = [code for code in LANGUAGES if code != "en"]
TABLES = ("sentences", "pages", "papers")


def table(code: str, name: str) -> dict[str, str]:
    """Flat: a sentence by its field and key."""
    read = json.loads((FOLDER / code / f"{name}.json").read_text(encoding="utf-8"))
    flat = {}
    for key, value in read.items():
        flat |= {f"{key}.{one}": text for one, text in value.items()} if isinstance(value, dict) else {key: value}
    return flat


def places(text: str) -> set[str]:
    return {name for _, name, _, _ in string.Formatter().parse(text) if name}


def test_english_and_spanish_are_there() -> None:
    assert next(iter(LANGUAGES)) == "en"
    assert "es" in LANGUAGES


@pytest.mark.parametrize("code", OTHERS)
@pytest.mark.parametrize("name", TABLES)
def test_no_key_lacks_in_one_language(code: str, name: str) -> None:
    wanted = table("en", name)
    if name == "sentences":
        wanted |= {f"responses.{kind}": row.response for kind, row in CATALOGUE.items()}
    found = table(code, name)
    assert found.keys() == wanted.keys(), found.keys() ^ wanted.keys()
    for key, text in found.items():
        assert text.strip(), key
        assert places(text) == places(wanted[key]), key


@pytest.mark.parametrize("code", LANGUAGES)
@pytest.mark.parametrize("name", TABLES)
def test_no_key_stands_twice(code: str, name: str) -> None:
    """The later one would take the place of the other, on a page nobody thought of."""
    twice: list[str] = []

    def pairs(found: list[tuple[str, object]]) -> dict[str, object]:
        keys = [key for key, _ in found]
        twice.extend({key for key in keys if keys.count(key) > 1})
        return dict(found)

    json.loads((FOLDER / code / f"{name}.json").read_text(encoding="utf-8"), object_pairs_hook=pairs)
    assert twice == []


@pytest.mark.parametrize("code", OTHERS)
def test_nothing_but_names_and_units_reads_the_same_in_two_languages(code: str) -> None:
    for name in TABLES:
        english = {**table("en", name), **{f"responses.{kind}": row.response for kind, row in CATALOGUE.items()}}
        same = [
            key for key, text in table(code, name).items() if text == english[key] and re.search(r"[a-z]{4} ", text)
        ]
        assert same == [], name


def test_a_language_with_a_key_too_few_is_seen(tmp_path: Path) -> None:
    for name in TABLES:
        (tmp_path / f"{name}.json").write_text((FOLDER / "es" / f"{name}.json").read_text(encoding="utf-8"))
    broken = json.loads((tmp_path / "sentences.json").read_text())
    del broken["moves"]
    (tmp_path / "sentences.json").write_text(json.dumps(broken))
    with pytest.raises(TypeError, match="moves"):
        read(tmp_path)


def read(folder: Path) -> Wording:
    from brakewater import wording  # noqa: PLC0415 - only this test reads a folder of its own

    return wording.read(folder)


@pytest.mark.parametrize("words", LANGUAGES.values(), ids=LANGUAGES)
def test_what_the_program_knows_has_words(words: Wording) -> None:
    assert words.alarms.keys() == CATALOGUE.keys()
    asked = {f"reason-{reason_name(reason)}" for reason in Reason if reason}
    asked |= {f"{kind}-{one.name}" for one in DEFAULTS for kind in ("round", "what")}
    asked |= {f"part-{part}" for part in PARTS} | {
        f"{kind}-{verdict}" for verdict in ADVICE for kind in ("verdict", "advice")
    }
    asked |= {f"state-{state}" for state in ("ok", "due", "overdue")} | {
        f"used-{by}" for by in ("hours", "trips", "days", "never")
    }
    assert asked <= words.pages.keys(), asked - words.pages.keys()


def test_english_says_what_the_tables_of_rounds_water_and_refusals_say() -> None:
    assert {one.name: one.what for one in DEFAULTS} == {one.name: ENGLISH.pages[f"what-{one.name}"] for one in DEFAULTS}
    assert {verdict: ENGLISH.pages[f"advice-{verdict}"] for verdict in ADVICE} == ADVICE
    meanings = {reason_name(reason): row.says for reason, row in MEANINGS.items() if reason}
    assert {name: ENGLISH.papers[f"meaning-{name}"] for name in meanings} == meanings
    refusals = {f"refused-{why}": text for why, text in REFUSALS.items()}
    assert {name: ENGLISH.pages[name] for name in refusals} == refusals
    targets = {key: TARGETS[key] for key in [*(key for key, _ in FIGURES), *LISTED]}
    assert {key: ENGLISH.papers[f"target-{key.replace('_', '-')}"] for key in targets} == targets


def test_no_word_stands_on_pages_and_papers() -> None:
    """Whoever changed one would not know of the other."""
    assert not ENGLISH.pages.keys() & ENGLISH.papers.keys()


WORDED = ("trip_page", "trip_tables", "trip_text", "time_line", "torque", "loop_page", "handover",
          "handover_sheet", "book", "proofs", "why", "study_page")  # fmt: skip
"""What writes reports and sheets."""
_ASKED = re.compile(r"""(?:words\.(?:word|papers|pages)\(?\[?|\bsentence\()\s*(f?)(["'])(.*?)\2""", re.DOTALL)
_PLACE = re.compile(r"\{[^}]*\}")


@pytest.mark.parametrize("name", WORDED)
def test_every_word_that_reports_and_sheets_ask_for_is_there(name: str) -> None:
    """A name without a word would stand for itself, in the middle of a page for handing on."""
    known = ENGLISH.pages.keys() | ENGLISH.papers.keys()
    text = (Path(review.__file__).parent / f"{name}.py").read_text(encoding="utf-8")
    asked = [match[3] for match in _ASKED.finditer(text)]
    assert asked, "it asks for none, so this test sees nothing"
    for one in asked:
        shape = re.compile("[a-z0-9_-]+".join(map(re.escape, _PLACE.split(one))))
        assert any(shape.fullmatch(key) for key in known), one


@pytest.mark.parametrize("words", LANGUAGES.values(), ids=LANGUAGES)
def test_what_reports_build_names_from_has_words(words: Wording) -> None:
    asked = {f"do-{verb}" for verb in VERBS} | {f"priority-{one}" for one in Priority}
    asked |= {f"meaning-{reason_name(reason)}" for reason in Reason if reason}
    asked |= {f"{kind}-{verdict}" for kind in ("verdict", "proves") for verdict in get_args(Verdict)}
    asked |= {f"proof-{status}" for status in ("proved", "failed", "void")} | {"never"}
    asked |= {f"study-state-{one}" for one in STATES} | {*HEADS}
    asked |= {f"study-head-{one}" for heads in HEADS.values() for one in heads}
    asked |= {*ROLES_CHARTED, *DERIVED, *CAUTIONS, *SAID, *(f"loop-head-{one}" for one in HEAD)}
    known = words.pages.keys() | words.papers.keys()
    assert asked <= known, asked - known


SYNONYMS = {
    "caudal": "flujo", "mando": "comando", "par": "torque", "vigilancia": "vigilante", "PC": "computadora",
    "sacó": "retiró", "salieron": "se activaron", "casan": "coinciden",
}  # fmt: skip


def test_spanish_has_one_word_for_one_thing() -> None:
    """And that of a Latin-American rig: whoever meets two words for a thing looks for two things."""
    for name in TABLES:
        for key, text in table("es", name).items():
            other = set(re.findall(r"\w+", text)) & {*SYNONYMS, *(f"{one}s" for one in SYNONYMS)}
            assert not other, (key, other)


@pytest.mark.parametrize("code", OTHERS)
def test_whoever_is_told_to_stop_first_is_told_so_in_every_language(code: str) -> None:
    """The first sentence of an urgent response is one and the same, so that a crew knows it by heart."""
    urgent = {kind for kind, row in CATALOGUE.items() if row.response.startswith(STOP)}
    firsts = {LANGUAGES[code].responses[kind].partition(". ")[0] for kind in urgent}
    assert len(firsts) == 1
    said = {kind for kind, text in LANGUAGES[code].responses.items() if text.partition(". ")[0] in firsts}
    assert said == urgent


@pytest.mark.parametrize("words", LANGUAGES.values(), ids=LANGUAGES)
def test_every_sentence_can_be_said_in_every_language(words: Wording) -> None:
    rig = demo_rig()
    for kind in CATALOGUE:
        for state in State:
            for actor in (None, "driller"):
                doc = event_doc(event(alarm=f"{kind}:x", now=state.value, actor=actor))
                shown = render.event_shown(rig, doc, words)
                assert shown["text"].endswith(".")
                assert "{" not in shown["text"]


class Literals(HTMLParser):
    """Text of a page that stands in no catalogue."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_data(self, data: str) -> None:
        if data.strip() and data.strip() != "Brakewater":  # our own name is the same in every language
            self.found.append(data.strip())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.found += [
            f"{tag} {name}={text}" for name, text in attrs if name in ("aria-label", "title", "alt") and text
        ]


@pytest.mark.parametrize("page", sorted(STATIC.glob("*.html")), ids=lambda page: page.stem)
def test_no_page_holds_a_literal(page: Path) -> None:
    seen = Literals()
    seen.feed(page.read_text())
    assert seen.found == []


_COMMENT = re.compile(r"^\s*//.*$|\s//\s.*$", re.MULTILINE)
_TEXT = re.compile(r'"([^"\n]*)"|`([^`]*)`')
_SPOKEN = re.compile(r"[A-Za-z]{3,} [a-z]{2,}")
_FREE = re.compile(r"\$\{[^}]*\}|default-src .*|[#.\[][\w=\-\"\]]+")


def spoken(script: str) -> Iterator[str]:
    """Texts of a script that read like a sentence: two words with a space between."""
    for match in _TEXT.finditer(_COMMENT.sub("", script)):
        text = _FREE.sub(" ", match.group(1) or match.group(2) or "")
        if _SPOKEN.search(text):
            yield text


@pytest.mark.parametrize("page", sorted(STATIC.glob("*.js")), ids=lambda page: page.stem)
def test_no_script_speaks_by_itself(page: Path) -> None:
    assert list(spoken(page.read_text())) == []


def test_the_search_for_literals_can_fail() -> None:
    assert list(spoken('say("not a word in the table");'))
    seen = Literals()
    seen.feed('<p>Log in</p><img alt="a brake">')
    assert len(seen.found) == 2


@pytest.mark.parametrize(
    ("n", "en", "es"), [(0, "0 trips", "0 viajes"), (1, "1 trip", "1 viaje"), ("2", "2 trips", "2 viajes")]
)
def test_one_is_no_plural(n: object, en: str, es: str) -> None:
    assert ENGLISH.word("worn", hours="0.1", trips=n, heat="0.01") == f"0.1 h run, {en}, 0.01 GJ"
    assert f", {es}, " in LANGUAGES["es"].word("worn", hours="0.1", trips=n, heat="0.01")
