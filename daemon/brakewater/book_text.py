"""The health of a brake in sentences, from the book as a document: one wording for page, command and report."""

from collections.abc import Iterator, Mapping
from typing import Any

from brakewater.physics.gap import vague
from brakewater.physics.uncertainty import COVERAGE
from brakewater.units import Dimension, shown
from brakewater.wording import Wording
from brakewater.zoned import day_of, minute_of

_THOUSANDTH_M = 2.54e-5
_NO_GAP_M = 0.05
"""Readings of one day lead anywhere in thirty: what reaches below nothing or beyond this is told as no trend."""


def health_lines(book: Mapping[str, Any], words: Wording, units: str | None = None) -> list[str]:
    """Hours, trips and heat since each part was changed; gap; water and what the trips say of scale; torque; share.

    Args:
        book: as ``book_shown.book_doc`` gives it; of an older watch some of it lacks.
        words: the language.
        units: ``us`` or ``metric``; the rig file's where None.
    """
    page = _Lines(words, units or book["units"], book.get("time_zone", "UTC"))
    return [*page.worn(book), *page.gaps(book), *page.water(book), *page.torque(book), *page.shares(book)]


def signed_lines(book: Mapping[str, Any], words: Wording) -> list[str]:
    """The newest signatures, the last one first, by the rig's clock."""
    signed, zone = book.get("signed", ()), book.get("time_zone", "UTC")
    return [
        words.word(
            "book-signed",
            time=f"{minute_of(one['signed'], zone)} {zone}",
            by=one["by"],
            actor=one["actor"],
            remark=f": {one['remark']}" if one["remark"] else "",
        )
        for one in reversed(signed[-3:])
    ] or [words.word("book-never-signed")]


class _Lines:
    """In one language and units; days are those of a zone."""

    def __init__(self, words: Wording, units: str, zone: str) -> None:
        self._say, self._units, self._zone = words.word, units, zone

    def worn(self, book: Mapping[str, Any]) -> Iterator[str]:
        for one in book["worked"]:
            yield self._say("worn-of", what=one["brake"], worn=self._worn(one))
        for one in book["parts"]:
            yield self._part("part-since", one, day=self._day(one["since"]))
        for one in book.get("former", ()):
            yield self._part("part-was", one, since=self._day(one["since"]), day=self._day(one["until"]))

    def _part(self, key: str, one: Mapping[str, Any], **places: str) -> str:
        part = self._say(f"part-{one['part']}")
        return self._say(key, part=part, serial=one["serial"], brake=one["brake"], worn=self._worn(one), **places)

    def _worn(self, one: Mapping[str, Any]) -> str:
        hours, heat = f"{one['running_s'] / 3600:.1f}", f"{one['heat_j'] / 1e9:.2f}"
        return self._say("worn", hours=hours, trips=one["trips"], heat=heat)

    def gaps(self, book: Mapping[str, Any]) -> Iterator[str]:
        for one in book["gaps"]:
            ahead = ""
            if one["mean_ahead_m"] and one["mean_ahead_m"][0] >= 0.0 and one["mean_ahead_m"][2] <= _NO_GAP_M:
                low, middle, high = map(self._length, one["mean_ahead_m"])
                ahead = self._say("gap-ahead", low=low, middle=middle, high=high)
            lengths = {name: self._length(one[f"{name}_m"]) for name in ("mean", "spread", "least", "most")}
            yield self._say(
                "gap-text",
                brake=one["brake"],
                torque=round(100 * one["torque_share"]),
                ahead=ahead,
                trend=self._say("gap-drifts" if one["drifts"] else "gap-still"),
                used=round(100 * one["share"]),
                **lengths,
            )

    def water(self, book: Mapping[str, Any]) -> Iterator[str]:
        """Each brake's newest sample, its trend, and beside it what the trips say of scale."""
        trends = {one["brake"]: one for one in book.get("water_trend", ())}
        passes = {one["brake"]: one for one in book.get("passes", ())}
        for brake in (one["brake"] for one in book["worked"]):
            for one in [sample for sample in book["water"] if sample["brake"] == brake][-1:]:
                yield self._sample(one)
            trend = trends.get(brake)
            if trend is not None and trend["langelier_a_month"] is not None:
                slope = f"{trend['langelier_a_month']:+.2f}"
                yield self._say("water-trend", brake=brake, slope=slope, n=trend["samples"])
            if brake in passes:
                yield self._passes(passes[brake])

    def _sample(self, one: Mapping[str, Any]) -> str:
        places: dict[str, str] = {}
        for place in ("hot", "inlet"):
            at = one[place]
            degrees, unit = shown(at["degc"], Dimension.TEMPERATURE, self._units)
            places |= {
                place: self._say(f"verdict-{at['verdict']}"),
                f"{place}_at": f"{degrees:.0f} {unit}",
                f"{place}_li": f"{at['langelier']:+.2f}",
                f"{place}_ri": f"{at['ryznar']:.2f}",
            }
        advice = self._say(f"advice-{one['hot']['verdict']}")
        return self._say("water-text", day=self._day(one["taken"]), advice=advice, **places)

    def _passes(self, one: Mapping[str, Any]) -> str:
        if one["of_rig_file"] is None:
            return self._say("passes-none", brake=one["brake"])
        slope, n = one["slope_per_trip"], one["trips"]
        if slope is not None:
            trend = self._say("passes-up" if slope > 0 else "passes-down", slope=f"{abs(slope):.3f}", n=n)
        else:
            trend = self._say("torque-still" if n > 1 else "torque-once", n=n)
        return self._say(
            "passes-text",
            brake=one["brake"],
            ratio=f"{one['of_rig_file']:.2f}",
            about=f"{COVERAGE * one['std']:.2f}",
            k_kw=f"{1e3 * one['k_w']:.3f}",
            trend=trend,
        )

    def torque(self, book: Mapping[str, Any]) -> Iterator[str]:
        for one in book.get("torque", ()):
            if one["newest"] is None:
                continue
            slope, n = one["slope_per_trip"], one["trips"]
            if slope is not None:
                trend = self._say("torque-trend", slope=f"{slope:+.4f}", n=n)
            else:
                trend = self._say("torque-still" if n > 1 else "torque-once", n=n)
            if vague(one["std"]):
                trend = self._say("torque-vague", trend=trend)
            index, about = f"{one['newest']:.2f}", f"{COVERAGE * one['std']:.2f}"
            yield self._say("torque-text", brake=one["brake"], index=index, about=about, trend=trend)

    def shares(self, book: Mapping[str, Any]) -> Iterator[str]:
        newest = {one["brake"]: one for one in book.get("trips", ()) if one["heat_share"] is not None}
        for brake, one in newest.items():
            share, about = round(100 * one["heat_share"]), round(100 * COVERAGE * one["heat_share_std"])
            yield self._say("share-text", brake=brake, share=share, about=about, trip=one["trip"])

    def _day(self, utc: str) -> str:
        return day_of(utc, self._zone)

    def _length(self, metres: float) -> str:
        """As a feeler gauge is marked."""
        return f"{metres / _THOUSANDTH_M:.1f}/1000 in" if self._units == "us" else f"{1e3 * metres:.3f} mm"
