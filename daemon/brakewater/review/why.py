"""Whether a brake is weakening, and why: what its trips in say together.

Four things tell causes apart. What part of the current that it is asked for the coil takes: exciter and coil circuit.
The torque index, which takes the current into account: gap and coils, lasting from trip to trip; the air gaps of the
upkeep book say which of the two. How late the heat comes out of the rotor (``contact``): scale. And a fall of the
torque within minutes, with the water lost or the rotor hot, that the next trip does not show any more: a hot, growing
rotor. What is within its uncertainty is not called a change; where what tells two causes apart is missing, both are
named.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import log, sqrt
from typing import Final

from brakewater.physics.gap import FEELER_M, KNOWN_TO, torque_share, vague
from brakewater.physics.uncertainty import COVERAGE
from brakewater.review.ceiling import TAKES
from brakewater.review.contact import Contact
from brakewater.review.sentence import Sentence, sentence
from brakewater.review.torque import AS_NEW, FALLING, WEAK, Torque
from brakewater.review.torque import CANNOT_TELL as VAGUE
from brakewater.units import Dimension, shown
from brakewater.wording import ENGLISH, Wording

WEAKENING, INCIDENT, SOUND, CANNOT_TELL = "weakening", "incident", "sound", "cannot-tell"
OF_TORQUE: Final = ("gap", "coils", "gap-or-coils")
OF_CURRENT: Final = ("exciter", "coil-circuit")
"""Causes by what tells them."""
REPEATS: Final = 0.03
"""A trip's torque index repeats with the same sensors to this standard uncertainty; an assumption."""
_WARMTH: Final = 0.3
"""By so much copper's resistance grows over 75 K (0.39 % a kelvin, from memory), as between a cool coil and one at
work: what is beyond it is the coil's circuit; an assumption."""
_AS_BEFORE: Final = 1.1
"""Less current warms a coil less: one that is capped is no more than so much above what it was; an assumption."""
_DRY_S: Final = 10.0
_POORER: Final = 0.8
"""A contact that has not fallen to this is none to send anybody for."""
_DAY_S: Final = 86_400.0
_LASTS_S: Final = 7.0 * _DAY_S
"""A fall that is seen over less is not called one of weeks and months."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """One trip in; what is not known is None."""

    number: int
    at_s: float
    torque: Torque | None = None
    share: tuple[float, float] | None = None
    """Of the hoist's work in the water, and its standard uncertainty."""
    contact: Contact | None = None
    excitation: float | None = None
    """Part of the current asked for that the coil took, median of the lowering."""
    most_a: float | None = None
    """Highest coil current of the lowering."""
    ceiling: tuple[float, float] | None = None
    """Coil current that was not passed, and the most that was asked for there, A."""
    coil_ohm: float | None = None
    """Voltage over current, median of the lowering."""
    gap_m: float | None = None
    """Mean of the newest survey by then, scale added."""
    dry_s: float = 0.0
    """With less than the least flow."""
    rotor_max_degc: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One cause."""

    cause: str
    """``exciter``, ``coil-circuit``, ``gap``, ``coils``, ``gap-or-coils``, ``scale``, ``hot-rotor`` or ``unknown``."""
    says: Sentence
    certain: bool
    """Beyond its uncertainty, and told apart from others."""
    lasting: bool = True
    """Not over with the trip."""

    def says_so(self, words: Wording = ENGLISH) -> str:
        """In a language, with how sure it is."""
        return words.word("study-certain" if self.certain else "study-likely", says=self.says.text(words))


@dataclass(frozen=True, slots=True, kw_only=True)
class Condition:
    """Of one brake."""

    state: str
    findings: tuple[Finding, ...]
    lacks: tuple[Sentence, ...] = ()
    """What would tell more."""


def condition(trips: Sequence[Told], gap_nominal_m: float, delay_s: float | None, units: str = "us") -> Condition:
    """What a brake's trips in, in order of time, say together.

    Args:
        trips: those of one brake.
        gap_nominal_m: air gap as built.
        delay_s: how long heat stays in the rotor as built, or None.
        units: the crew's, ``us`` or ``metric``, for what is said.
    """
    told = _exciter(trips), _scale(trips, delay_s), _torque(trips, gap_nominal_m, units)
    lasting = [one for one in told if one]
    findings = [*lasting, *_hot(trips, lasting, units)]
    if not findings:
        findings += [one for one in [_share(trips)] if one]
    lacks = _lacks(trips)
    if any(one.lasting for one in findings):
        state = WEAKENING
    elif findings:
        state = INCIDENT
    else:
        newest = _newest(trips)
        state = SOUND if newest is not None and newest.verdict == AS_NEW else CANNOT_TELL
    return Condition(state=state, findings=tuple(findings), lacks=lacks)


def _exciter(trips: Sequence[Told]) -> Finding | None:
    """The coil is short of current: a ceiling that it does not pass, else a share of what it is asked for."""
    known = [one for one in trips if one.excitation is not None]
    if not known:
        return None
    first, last = known[0], known[-1]
    short = (last.excitation or 0.0) < TAKES
    if not short and last.ceiling is None:
        return None
    fell = first is not last and _fell(first, last)
    cause, why = _by_voltage(first, last) if fell else ("exciter", sentence("why-exciter-cause"))
    parts: dict[str, str | Sentence] = {"cause": why}
    if fell:
        middle = known[len(known) // 2] if len(known) > 2 else None
        between = "" if middle is None else sentence("why-in-trip", n=str(middle.number), took=_took(middle, last))
        parts |= {"first": _took(first, last), "apart": _apart(known), "between": between}
    key = "why-exciter-fell" if fell else "why-exciter"
    return Finding(cause=cause, says=sentence(key, last=_short(last), **parts), certain=short or fell)


def _by_voltage(first: Told, last: Told) -> tuple[str, Sentence]:
    """Voltage over current against a trip with all its current: exciter, or the coil's own circuit."""
    if first.coil_ohm is None or last.coil_ohm is None or first.coil_ohm <= 0.0:
        return "exciter", sentence("why-exciter-cause")
    times = last.coil_ohm / first.coil_ohm
    if times > 1.0 + _WARMTH or times < 1.0 / (1.0 + _WARMTH):
        way = "why-coil-more" if times > 1.0 else "why-coil-less"
        return "coil-circuit", sentence(way, times=f"{times:.2f}")
    if times > _AS_BEFORE:
        return "exciter", sentence("why-coil-unsure", times=f"{times:.2f}")
    return "exciter", sentence("why-coil-same", times=f"{times:.2f}")


def _fell(first: Told, last: Told) -> bool:
    """The coil took more in the first trip, by its ceiling or by its share."""
    if last.ceiling is not None and (first.ceiling is not None or first.most_a is not None):
        before = first.most_a if first.ceiling is None else first.ceiling[0]
        return last.ceiling[0] < TAKES * (before or 0.0)
    return (first.excitation or 0.0) - (last.excitation or 0.0) > 1.0 - TAKES


def _short(one: Told) -> Sentence:
    if one.ceiling is not None:
        return sentence("why-ceiling", most=f"{one.ceiling[0]:.0f}", asked=f"{one.ceiling[1]:.0f}")
    return sentence("why-takes", share=f"{one.excitation or 0.0:.0%}")


def _took(one: Told, last: Told) -> str | Sentence:
    """What it took before, said as of the last trip."""
    if last.ceiling is None or one.most_a is None:
        return f"{one.excitation or 0.0:.0%}"
    if one.ceiling is None:
        return sentence("why-up-to", most=f"{one.most_a:.0f}")
    return sentence("why-no-more", most=f"{one.ceiling[0]:.0f}")


def _scale(trips: Sequence[Told], delay_s: float | None) -> Finding | None:
    known = [(one, one.contact) for one in trips if one.contact is not None]
    if not known:
        return None
    (first, then), (last, now) = known[0], known[-1]
    spread = COVERAGE * sqrt(then.std * then.std + now.std * now.std)
    fell = log(then.scale / now.scale) > max(spread, log(1.0 / _POORER)) and first is not last
    low, high = now.band
    if not fell and high >= _POORER:
        return None
    says = sentence(
        "why-scale", now=f"{now.scale:.2f}", low=f"{low:.2f}", high=f"{high:.2f}",
        late="" if delay_s is None else sentence("why-late", seconds=f"{delay_s * (1.0 / now.scale - 1.0):.0f}"),
        before=sentence("why-before", then=f"{then.scale:.2f}", apart=_apart([first, last])) if fell else "",
    )  # fmt: skip
    return Finding(cause="scale", says=says, certain=high < 1.0)


def _torque(trips: Sequence[Told], gap_nominal_m: float, units: str) -> Finding | None:
    """Gap or coils, by the torque that current and speed do not explain, from the first stand on."""
    known = [(one, one.torque) for one in trips if one.torque is not None and one.dry_s <= _DRY_S]
    if not known:
        return None
    (first, then), (last, now) = known[0], known[-1]
    # The sensors' own errors are the same in both, but weigh more where less heat is measured.
    weighs = max(0.0, now.std * now.std - then.std * then.std)
    fell = then.first - now.first > COVERAGE * sqrt(weighs + 2.0 * REPEATS * REPEATS)
    if not fell and now.verdict != WEAK:
        return None
    left = now.first / then.first if fell else now.first
    cause, why = _gap_or_coils(left, first.gap_m if fell else gap_nominal_m, last.gap_m, units)
    if cause == "gap-or-coils" and fell and last.at_s - first.at_s < _LASTS_S:
        why = sentence("why-fast", why=why)
    index, band = f"{now.first:.2f}", f"{COVERAGE * now.std:.2f}"
    if fell:
        says = sentence(
            "why-torque-fell", then=f"{then.first:.2f}", now=index, band=band, apart=_apart([first, last]), why=why
        )
    else:
        says = sentence("why-torque-weak", now=index, band=band, why=why)
    return Finding(cause=cause, says=says, certain=cause != "gap-or-coils")


def _gap_or_coils(left: float, before_m: float | None, now_m: float | None, units: str) -> tuple[str, Sentence]:
    """By the air gaps that were measured, what of the torque they leave."""
    if before_m is None or now_m is None:
        return "gap-or-coils", sentence("why-no-gap")
    explained = torque_share(now_m, before_m)
    std = 2.0 * explained * 0.5 * FEELER_M * sqrt(1.0 / (now_m * now_m) + 1.0 / (before_m * before_m))
    off = COVERAGE * sqrt(std * std + 2.0 * REPEATS * REPEATS)
    gaps = sentence(
        "why-gaps", before=_gap(before_m, units), now=_gap(now_m, units), explained=f"{explained:.2f}",
        band=f"{COVERAGE * std:.2f}",
    )  # fmt: skip
    if abs(explained - left) <= off and explained < 1.0 - COVERAGE * std:
        cause = "gap"
    elif explained - left > off and explained > 1.0 - COVERAGE * std:
        cause = "coils"
    else:
        cause = "gap-or-coils"
    return cause, sentence(f"why-{cause}", gaps=gaps, left=f"{left:.2f}")


def _hot(trips: Sequence[Told], lasting: Sequence[Finding], units: str) -> list[Finding]:
    """Trips whose torque fell within minutes, or whose water was lost."""
    found = []
    for at, one in enumerate(trips):
        falling = one.torque is not None and one.torque.verdict == FALLING
        if one.dry_s <= _DRY_S and (not falling or lasting):
            continue
        lasts, back = _back(trips[at + 1 :])
        key = "why-hot-lasts" if lasts else "why-hot"
        says = sentence(key, n=str(one.number), back=back, **_heated(one, units))
        found.append(Finding(cause="hot-rotor", says=says, certain=one.dry_s > _DRY_S, lasting=False))
    return found


def _back(later: Sequence[Told]) -> tuple[bool, Sentence]:
    """Whether the torque stayed away, by the first of the later trips that tells, and how that is said."""
    known = (
        (place, one, one.torque.verdict)
        for place, one in enumerate(later)
        if one.torque is not None and one.torque.verdict != VAGUE
    )
    place, one, verdict = next(known, (0, None, ""))
    if one is None:
        return False, sentence("why-no-later")
    if verdict == WEAK:
        return True, sentence("why-not-back", n=str(one.number))
    return False, sentence("why-back-in", n=str(one.number)) if place else sentence("why-back")


def _heated(one: Told, units: str) -> dict[str, str | Sentence]:
    """Parts of what is said of a hot trip, empty where there is nothing to say."""
    parts: dict[str, str | Sentence] = {"water": "", "rotor": "", "torque": ""}
    if one.dry_s > _DRY_S:
        parts["water"] = sentence("why-dry", seconds=f"{one.dry_s:.0f}")
    if one.rotor_max_degc is not None:
        hottest, unit = shown(one.rotor_max_degc, Dimension.TEMPERATURE, units)
        parts["rotor"] = sentence("why-rotor", hottest=f"{hottest:.0f} {unit}")
    if one.torque is not None and one.torque.verdict == FALLING:
        parts["torque"] = sentence("why-fell-within", first=f"{one.torque.first:.2f}", last=f"{one.torque.last:.2f}")
    return parts


def _share(trips: Sequence[Told]) -> Finding | None:
    """Less heat in the water of the same work, and nothing that says why."""
    known = [(one, one.share) for one in trips if one.share is not None and one.dry_s <= _DRY_S]
    if len(known) <= 1:
        return None
    (first, then), (last, now) = known[0], known[-1]
    if then[0] - now[0] <= COVERAGE * then[1]:
        return None
    says = sentence("why-share", then=f"{then[0]:.0%}", now=f"{now[0]:.0%}", apart=_apart([first, last]))
    return Finding(cause="unknown", says=says, certain=False)


def _lacks(trips: Sequence[Told]) -> tuple[Sentence, ...]:
    wants = {
        "trip": bool(trips),
        "torque": any(one.torque is not None for one in trips),
        "current": any(one.excitation is not None for one in trips),
        "contact": any(one.contact is not None for one in trips),
        "gap": any(one.gap_m is not None for one in trips),
    }
    lacks = [sentence(f"why-lacks-{what}") for what, there in wants.items() if not there]
    newest = _newest(trips)
    if newest is not None and vague(newest.std):
        lacks.append(sentence("why-lacks-sure", about=f"{COVERAGE * newest.std:.2f}", most=f"{KNOWN_TO:.2f}"))
    return tuple(lacks)


def _newest(trips: Sequence[Told]) -> Torque | None:
    """Of the newest trip that tells, else of the newest: a light string after a heavy one takes nothing back."""
    known = [one.torque for one in reversed(trips) if one.torque is not None]
    return next((one for one in known if not vague(one.std)), known[0] if known else None)


def _apart(trips: Sequence[Told]) -> Sentence:
    """Between the first and the last of them."""
    days = (trips[-1].at_s - trips[0].at_s) / _DAY_S
    if days >= 60.0:
        return sentence("why-months", n=f"{days / 30.4:.0f}")
    return sentence("why-days", n=f"{days:.0f}") if days >= 1.0 else sentence("why-hours", n=f"{days * 24.0:.1f}")


def _gap(metres: float, units: str) -> str:
    value, unit = shown(metres, Dimension.LENGTH, units)
    return f"{value:.{4 if units == 'us' else 3}f} {unit}"


def delay_of(surface_j_k: float, core_j_k: float, contact_w_k: float) -> float:
    """How long heat stays in a rotor, s: what it stores a kelvin over what its contact carries off."""
    return (surface_j_k + core_j_k) / contact_w_k
