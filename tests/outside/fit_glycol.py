"""Fits the tables of brakewater.physics.glycol and writes them: ``python tests/outside/fit_glycol.py``.

Source fitted: incompressible mixtures of CoolProp 8 (``MEG``, ``MPG`` by mass; ``AEG``, ``APG`` by volume, the
latter two after ASHRAE) at 101 325 Pa, from freezing (or where the reference begins) to 100 degC. A polynomial each
in x = (t - 40)/60 and z = (share - 0.3)/0.3; the freezing point one in z.
"""

from pathlib import Path

import numpy as np
from CoolProp.CoolProp import PropsSI
from numpy.typing import NDArray

FILE = Path(__file__).parents[2] / "daemon" / "brakewater" / "physics" / "glycol.py"
FLUIDS = {
    ("ethylene", "mass"): ("MEG", 0.02),
    ("propylene", "mass"): ("MPG", 0.02),
    ("ethylene", "vol"): ("AEG", 0.10),
    ("propylene", "vol"): ("APG", 0.10),
}
"""Fluid and basis -> the reference's name and the least share it is good for."""
MOST_SHARE = 0.60
LEAST_DEGC = -34.9
"""Where the reference by volume begins; no brake's water is asked for below."""
DEGREES = {"D": (4, 5), "C": (4, 5)}
FREEZING_DEGREE = 5
_PRESSURE = 101_325.0


def reference(name: str, share: float, what: str, t_degc: NDArray[np.float64]) -> NDArray[np.float64]:
    """``D`` kg/m3 or ``C`` J/(kg K) of a mixture at [n] temperatures."""
    return np.array([PropsSI(what, "T", t + 273.15, "P", _PRESSURE, f"INCOMP::{name}[{share}]") for t in t_degc])


def freezing_degc(name: str, share: float) -> float:
    """Freezing point of a mixture."""
    return float(PropsSI("T_freeze", "T", 300.0, "P", _PRESSURE, f"INCOMP::{name}[{share}]")) - 273.15


def lowest_degc(name: str, share: float) -> float:
    """Where the reference may be asked for."""
    return max(freezing_degc(name, share) + 0.05, LEAST_DEGC)


def fit(name: str, least: float, what: str) -> NDArray[np.float64]:
    """[p, q] coefficients of x^p z^q."""
    rows, values = [], []
    for share in np.linspace(least, MOST_SHARE, 30):
        t = np.linspace(lowest_degc(name, share), 99.9, 40)
        x, z = (t - 40.0) / 60.0, (share - 0.3) / 0.3
        rows.append(np.polynomial.polynomial.polyvander2d(x, np.full_like(x, z), DEGREES[what]))
        values.append(reference(name, float(share), what, t))
    found = np.linalg.lstsq(np.concatenate(rows), np.concatenate(values), rcond=None)[0]
    return found.reshape(DEGREES[what][0] + 1, DEGREES[what][1] + 1)


def fit_freezing(name: str, least: float) -> NDArray[np.float64]:
    """Coefficients in z of the freezing point in degC."""
    shares = np.linspace(least, MOST_SHARE, 60)
    degc = [freezing_degc(name, float(share)) for share in shares]
    return np.polynomial.polynomial.polyfit((shares - 0.3) / 0.3, degc, FREEZING_DEGREE)


def _tuple(numbers: NDArray[np.float64]) -> str:
    return "(" + ", ".join(f"{number:.9g}" for number in numbers.tolist()) + ("," if len(numbers) == 1 else "") + ")"


def text() -> str:
    """The table as a module."""
    out = [
        '"""Ethylene and propylene glycol in water, written by ``tests/outside/fit_glycol.py``; it names the source.',
        "",
        "Rows are powers of x = (t - 40)/60, columns powers of z = (share - 0.3)/0.3; t in degC, share 0 to 1.",
        '"""',
        "",
        "from dataclasses import dataclass",
        "",
        "",
        "@dataclass(frozen=True, slots=True, kw_only=True)",
        "class Mixture:",
        '    """One kind of glycol and the basis its share is counted by."""',
        "",
        "    least_share: float",
        "    density: tuple[tuple[float, ...], ...]",
        '    """kg/m3"""',
        "    cp: tuple[tuple[float, ...], ...]",
        '    """J/(kg K)"""',
        "    freezing: tuple[float, ...]",
        '    """degC, powers of z"""',
        "",
        "",
        f"MOST_SHARE = {MOST_SHARE}",
        f"LEAST_DEGC = {LEAST_DEGC}",
        '"""Where the reference begins, whatever the freezing point."""',
        "",
        "MIXTURES = {",
    ]
    for (glycol, basis), (name, least) in FLUIDS.items():
        out += [f'    ("{glycol}", "{basis}"): Mixture(', f"        least_share={least},"]
        for field, what in (("density", "D"), ("cp", "C")):
            out += [f"        {field}=("]
            out += [f"            {_tuple(row)}," for row in fit(name, least, what)]
            out += ["        ),"]
        out += [f"        freezing={_tuple(fit_freezing(name, least))},", "    ),"]
    return "\n".join([*out, "}", ""])


if __name__ == "__main__":
    FILE.write_text(text(), encoding="utf-8")
    print(f"written: {FILE}; now run ruff format on it")
