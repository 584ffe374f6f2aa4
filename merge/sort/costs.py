"""What it costs to call a row of shots a focus bracket, a series, or shots of one focus.

Costs are in units of natural log odds: 1 makes a reading 2.7 times less likely. They were set by
what each kind of evidence is worth on cards made for that, and are checked on other cards.
"""

from __future__ import annotations

import math
from bisect import insort
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from merge.model import Array
from merge.sort.groups import Shot
from merge.sort.links import APERTURE_STOPS, EXPOSURE_STOPS, Link
from merge.sort.movement import Movement

NEVER = 1e6
# Readings of a row of shots; the last two end as single pictures.
KINDS = ("focus bracket", "aperture series", "exposure bracket", "one focus", "single")

# Root mean square difference (natural log energy) above which focus rather moved: shots of one
# focus stay below 0.25 with the camera in the hand and leaves in the wind, below 0.15 on a tripod.
_MOVED_HELD, _MOVED_FIXED, _MOVED_LEAST = 0.36, 0.25, 0.2
# The most alike pair of a scene tells its noise; focus moved where shots differ so many times more.
_OVER_NOISE = 3.0
# A single step below this may be noise.
_STEP_NOISE = 0.15
# Shots that differ more with distance in the row than neighbours do: the mean over all pairs is
# that many times the mean over neighbours.
_GROWS = 1.3
# Brackets of few shots are rarer; of two, only what differs much is one.
_FEW = np.array([0.0, 0.0, 3.2, 1.8, 1.2])
# Recorded distances are coarse; a step back below this share of the row's way is rounding.
_ROUNDING = 0.03
# Intervals from this length on, even to this part, come from a timer: light and clouds then change
# sharpness a little without any move of focus. What that is worth.
_TIMER_S, _TIMER_SHARE, _TIMER = 2.5, 0.1, 1.2
# A pause is this many usual intervals long, and at least so many seconds.
_PAUSE_INTERVALS, PAUSE_SHORT_S, _PAUSE_LONG_S = 6.0, 5.0, 60.0


@dataclass(frozen=True, eq=False)
class Evidence:
    """Shots of one scene with all that is compared.

    Attributes
    ----------
    shots : list of Shot
    links : list of Link
        One fewer.
    movement : Movement
    pauses : ndarray, shape (n,)
        How much of a pause lies before each shot: 0 none, 1 a clear one, 2 a long one.
    start : ndarray, shape (n + 1,)
        Cost of a border before each shot.
    apart : ndarray, shape (n,)
        Cost of one group over the border before each shot, from likeness.
    """

    shots: list[Shot]
    links: list[Link]
    movement: Movement
    pauses: Array
    start: Array
    apart: Array


def gather(shots: list[Shot], links: list[Link], movement: Movement) -> Evidence:
    """Join what is known of one scene's shots."""
    pauses = np.array([0.0, *find_pauses(links)])
    timed = np.array([False, *(link.gap_s is not None for link in links)])
    # A photographer goes on to the next thing after a pause; without one a new start is rarer.
    start = np.where(timed, 1.5 - 0.7 * pauses, 0.8)
    start[0] = 0.0
    apart = np.array([0.0, *(_unlike(i, links) for i in range(len(links)))])
    return Evidence(shots, links, movement, pauses, np.append(start, 0.0), apart)


def find_pauses(links: list[Link]) -> list[float]:
    """Return 0 where shots follow as usual, up to 1 for a clear pause, 2 for a long one."""
    pauses = []
    for i, link in enumerate(links):
        if link.gap_s is None:
            pauses.append(0.0)
            continue
        sides = (links[max(0, i - 4) : i], links[i + 1 : i + 5])
        around = [[k.gap_s for k in side if k.gap_s is not None] for side in sides]
        usual = max(min((float(np.median(gaps)) for gaps in around if gaps), default=0.0), 0.05)
        if not any(around):
            usual = link.gap_s or 0.05
        long = math.log(max(link.gap_s, 0.05) / usual) / math.log(_PAUSE_INTERVALS)
        long = min(max(long, 0.0), 1.0) * min(link.gap_s / PAUSE_SHORT_S, 1.0)
        pauses.append(2.0 if link.gap_s > _PAUSE_LONG_S and long >= 1 else long)
    return pauses


def _unlike(at: int, links: list[Link]) -> float:
    """Return how much speaks for a new scene between two shots."""
    alike = links[at].alike
    cost = 30.0 * min(max(0.9 - alike, 0.0), 0.2)
    around = [k.alike for k in (*links[max(0, at - 3) : at], *links[at + 1 : at + 4])]
    usual = float(np.median([1 - a for a in around if a > 0.85] or [1.0]))
    # Neighbours that are much more alike than these two make the change stand out.
    if len(around) >= 2 and 1 - alike > 0.04:
        cost += 3.0 * min(max(math.log((1 - alike) / max(3 * usual, 0.003)), 0.0), 2.0)
    return cost


def cost_tables(evidence: Evidence) -> dict[str, Array]:
    """Return for each kind an (n, n + 1) table: cost of shots a to b - 1 being one such group."""
    n = len(evidence.shots)
    one_focus, bracket = _focus_tables(evidence)
    series = np.full((n, n + 1), NEVER)
    exposures = np.full((n, n + 1), NEVER)
    for a in range(n):
        _fill_series(evidence, a, series)
        _fill_exposures(evidence, a, exposures)
    single = np.full((n, n + 1), NEVER)
    single[np.arange(n), np.arange(1, n + 1)] = 0.5
    tables = (bracket, series, exposures, one_focus, single)
    return dict(zip(KINDS, tables, strict=True))


# -- focus moves or stays -------------------------------------------------------------------


def _focus_tables(evidence: Evidence) -> tuple[Array, Array]:
    n = len(evidence.shots)
    squared = evidence.movement.squared
    still, bracket = np.full((n, n + 1), NEVER), np.full((n, n + 1), NEVER)
    changes = _setting_costs(evidence)
    dioptres = _dioptres(evidence.shots)
    limit = focus_limit(evidence.movement)
    timer = _TIMER if _on_timer(evidence.links) else 0.0
    back = _steps_back(squared)
    over_pause = evidence.pauses * np.where(_goes_on(squared), 0.4, 0.9)
    for a in range(n - 1):
        size = np.arange(2, n - a + 1)
        pairs = np.cumsum(_sums_to_earlier(squared, a))
        steps = np.diagonal(squared, 1)[a:]
        nearest = np.cumsum(steps)
        mean_all, mean_step = pairs / (size * (size - 1) / 2), nearest / (size - 1)
        moved = _moved(mean_all, mean_step, size.astype(np.float64), limit)
        recorded, turned = _recorded(dioptres[a:])
        moved = (moved + recorded - timer * (size > 5)) * (size + 1) / 3
        apart = np.cumsum(evidence.apart[a + 1 :])
        pause = np.cumsum(over_pause[a + 1 :])
        common = apart + np.cumsum(changes[a + 1 :])
        inside = np.cumsum(back[a, a + 1 :])
        odd = _odd_steps(steps, evidence.pauses[a + 1 :])
        few = np.where(size == 2, 3.2 - np.clip(0.5 * moved, 0.0, 1.6), _FEW[np.minimum(size, 4)])
        cost = few + np.maximum(0.0, -moved) + common + inside + odd + turned
        bracket[a, a + 2 :] = cost + pause
        still[a, a + 2 :] = 0.8 + np.maximum(0.0, moved) + common
    return still, bracket


def _on_timer(links: list[Link]) -> bool:
    """Tell whether a timer released the shots, seconds apart, as for a time lapse."""
    gaps = [link.gap_s for link in links if link.gap_s is not None]
    if len(gaps) < 5:
        return False
    usual = float(np.median(gaps))
    # Clocks without parts of a second are off by one.
    within = max(_TIMER_SHARE * usual, 1.01)
    return usual >= _TIMER_S and max(abs(g - usual) for g in gaps) <= within


def _sums_to_earlier(squared: Array, a: int) -> Array:
    """Return, for each shot after ``a``, the sum of squares to those from ``a`` on before it."""
    lower = np.tril(squared[a:, a:], -1)
    return np.asarray(lower.sum(axis=1)[1:])


def focus_limit(movement: Movement) -> float:
    """Return the difference from which on focus rather moved than stayed in this scene."""
    most = _MOVED_HELD if movement.held else _MOVED_FIXED
    if movement.held or len(movement.squared) < 3:
        return most
    pairs = np.sqrt(movement.squared[np.triu_indices(len(movement.squared), 1)])
    return float(np.clip(_OVER_NOISE * pairs.min(), _MOVED_LEAST, most))


def _moved(mean_all: Array, mean_step: Array, size: Array, limit: float) -> Array:
    """Return the log odds that focus moved: by size, and by growing with distance."""
    noise = (limit / 4) ** 2
    far = 2.0 * np.log((mean_all + noise) / (limit**2 + noise))
    grows = np.log((mean_all + noise) / (mean_step + noise) / _GROWS)
    return np.asarray(far + np.where(size > 2, 4.0, 0.0) * np.clip(grows, -0.3, 1.5))


def _steps_back(squared: Array) -> Array:
    """Return (start, shot): cost of a shot that is more like an earlier one than the last one."""
    n = len(squared)
    cost = np.zeros((n, n))
    noise = _STEP_NOISE**2
    for k in range(2, n):
        nearest = np.minimum.accumulate(squared[: k - 1, k][::-1])[::-1]
        worse = 0.5 * np.log((squared[k - 1, k] + noise) / (nearest + noise)) - 0.15
        cost[: k - 1, k] = 4.0 * np.clip(worse, 0.0, 2.0)
    return cost


def _goes_on(squared: Array) -> NDArray[np.bool_]:
    """Tell, for each shot, whether its step continues the steps before it."""
    size = np.sqrt(np.diagonal(squared, 1))
    on = np.zeros(len(squared), bool)
    for k in range(2, len(squared)):
        usual = max(float(np.median(size[max(0, k - 4) : k - 1])), _STEP_NOISE)
        farther = squared[k - 2, k] > squared[k - 2, k - 1]
        on[k] = farther and 0.6 * usual < size[k - 1] < 1.8 * usual
    return on


def _odd_steps(steps: Array, pauses: Array) -> Array:
    """Return what steps cost that are far from the usual one, for rows of growing length."""
    size, met = np.sqrt(steps), list[float]()
    usual = np.empty((len(size), 1))
    for stop, step in enumerate(size):
        insort(met, float(step))
        usual[stop] = max((met[stop // 2] + met[(stop + 1) // 2]) / 2, _STEP_NOISE)
    wide = np.log(np.maximum(size, 1e-6) / (2.5 * usual))
    # Over a pause a bracket goes on by a whole step; a shot of the same focus is another start.
    narrow = np.clip(1 - size / ((0.5 + 0.3 * np.minimum(pauses, 1)) * usual), 0.0, 1.0)
    cost = (1.5 * np.clip(wide, 0.0, 2.0) + 0.8 * narrow) * (1.0 + 1.5 * pauses)
    return np.asarray(np.tril(cost).sum(axis=1))


def _dioptres(shots: list[Shot]) -> Array:
    known = [s.settings.focus_distance_m for s in shots]
    return np.array([1.0 / d if d else np.nan for d in known])


def _recorded(dioptres: Array) -> tuple[Array, Array]:
    """Return, for rows of growing length, log odds that focus moved and the cost of turning."""
    moved, turned = np.zeros(len(dioptres) - 1), np.zeros(len(dioptres) - 1)
    for stop in range(2, len(dioptres) + 1):
        row = dioptres[:stop]
        row = row[~np.isnan(row)]
        if len(row) < 2:
            continue
        way = float(np.ptp(row))
        if way <= 1e-9:
            # Constant: a rail, a coarse record, or one focus.
            moved[stop - 2] = -2.0
            continue
        steps = np.diff(row)
        steps = steps[np.abs(steps) > _ROUNDING * way]
        onward = abs(float(np.sign(steps).sum()))
        moved[stop - 2] = 3.0
        turned[stop - 2] = 3.0 * (len(steps) - onward)
    return moved, turned


def _setting_costs(evidence: Evidence) -> Array:
    """Return, before each shot, what a change of settings costs a row of one setting."""
    changes = np.zeros(len(evidence.shots))
    for i, link in enumerate(evidence.links, 1):
        if abs(link.aperture_stops) > APERTURE_STOPS:
            changes[i] = 8.0
        known = evidence.shots[i].settings.exposure_time_s is not None
        if abs(link.exposure_stops) > EXPOSURE_STOPS:
            changes[i] += 4.0 if known else 1.5
    return changes


# -- series of one setting ------------------------------------------------------------------


def _fill_series(evidence: Evidence, a: int, table: Array) -> None:
    """Fill costs of aperture series that start at ``a``: the f-number goes one way."""
    cost, way = 0.0, 0.0
    for b in range(a + 1, len(evidence.shots)):
        link = evidence.links[b - 1]
        stops = link.aperture_stops
        if abs(stops) <= APERTURE_STOPS or stops * way < 0:
            return
        way = stops
        cost += evidence.apart[b] + 0.7 * evidence.pauses[b]
        cost += _refocused(evidence.shots[b - 1], evidence.shots[b])
        table[a, b + 1] = cost + (1.0 if b - a > 1 else 1.8)


def _fill_exposures(evidence: Evidence, a: int, table: Array) -> None:
    """Fill costs of exposure brackets that start at ``a``: every exposure is another."""
    met, cost = [0.0], 0.0
    for b in range(a + 1, min(a + 9, len(evidence.shots))):
        link = evidence.links[b - 1]
        if abs(link.aperture_stops) > APERTURE_STOPS or abs(link.exposure_stops) <= EXPOSURE_STOPS:
            return
        here = met[-1] + link.exposure_stops
        if min(abs(here - m) for m in met) <= EXPOSURE_STOPS:
            return
        met.append(here)
        cost += evidence.apart[b] + 1.2 * evidence.pauses[b]
        cost += _refocused(evidence.shots[b - 1], evidence.shots[b])
        count = b - a + 1
        usual = {2: 2.6, 3: 0.8, 5: 0.8, 7: 0.8, 9: 0.8}.get(count, 2.0)
        table[a, b + 1] = cost + usual + _uneven(met)


def _uneven(met: list[float]) -> float:
    """Return the cost of exposures that no camera's bracketing gives: uneven steps."""
    steps = np.diff(np.sort(met))
    return float(2.0 * min(np.ptp(steps) / max(float(steps.mean()), 0.3), 1.0))


def _refocused(first: Shot, second: Shot) -> float:
    """Return the cost of recorded focus distances that differ by more than their coarseness."""
    a, b = first.settings.focus_distance_m, second.settings.focus_distance_m
    return 4.0 if a and b and abs(math.log(b / a)) > 0.15 else 0.0
