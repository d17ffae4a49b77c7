"""How many items to test.

Every answer is a plan, made from a spread that is assumed or was seen in a pilot; a pilot's own SD is
uncertain, so from a pilot there are two answers, the likely one and the cautious one.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from .checked import number, share, vector
from .tolerance import noncentral_t

MOST = 1_000_000  # beyond this many items a plan is said to be out of reach


@dataclass(frozen=True)
class Plan:
    """A number of items.

    n: items (of each product, where two are compared), None with a reason. n_cautious: the number that
    suffices even if the pilot's SD came out low by chance; None without a pilot. achieved: what n gives,
    margin in percent or power 0 to 1. assumed: the SD or CV in percent that it was made with. words: for
    people.
    """

    n: int | None
    n_cautious: int | None
    achieved: float | None
    assumed: float | None
    reason: str
    words: str


def _refused(reason: str) -> Plan:
    return Plan(None, None, None, None, reason, "")


def _least(enough: Callable[[int], bool], start: int, guess: int | None = None) -> int | None:
    """Least n from `start` on for which `enough` holds, for a condition that stays once it holds.

    guess: where it is looked for first; the better it is, the fewer questions are asked.
    """
    n = min(max(guess or start, start), MOST)
    step = 1
    if enough(n):
        high, low = n, None
        while high > start and low is None:
            n = max(high - step, start)
            if enough(n):
                high, step = n, 2 * step
            else:
                low = n
        if low is None:
            return high
    else:
        low, high = n, None
        while high is None:
            if low >= MOST:
                return None
            n = min(low + step, MOST)
            if enough(n):
                high = n
            else:
                low, step = n, 2 * step
    while high - low > 1:
        middle = (low + high) // 2
        if enough(middle):
            high = middle
        else:
            low = middle
    return high


def margin_of(n: int, cv: float, level: float = 0.95) -> float:
    """Half-width of the t interval of a mean, in the unit of `cv`: t(n - 1) cv/sqrt(n), n >= 2.

    >>> round(margin_of(5, 10.0), 2)
    12.42
    """
    return float(special.stdtrit(n - 1, (1 + level) / 2)) * cv / math.sqrt(n)


def n_for_margin(cv_pct, margin_pct, *, level=0.95) -> Plan:
    """How many items bring the interval of a mean down to a wanted margin.

    cv_pct: SD in percent of the mean, > 0. margin_pct: wanted half-width in percent of the mean, > 0 (any
    one unit for both will do). level: two-sided confidence. Returns the least n >= 2 with
    t(n - 1) cv/sqrt(n) <= margin. Bad input is refused with a reason. Assumes independent normal items
    and the CV as given. Source: Hahn and Meeker 1991, section 8.2 (from memory).

    >>> n_for_margin(10, 5).n
    18
    """
    cv, margin, confidence = number(cv_pct), number(margin_pct), share(level)
    if cv is None or cv <= 0:
        return _refused("no spread to plan with")
    if margin is None or margin <= 0:
        return _refused("the wanted margin must be above zero")
    if confidence is None:
        return _refused("the level must lie between 0 and 1")
    z = float(special.ndtri((1 + confidence) / 2))
    n = _least(lambda k: margin_of(k, cv, confidence) <= margin, 2, _whole((z * cv / margin) ** 2))
    if n is None:
        return _refused("more than a million items: out of reach")
    words = f"{n} items give a margin of {margin_of(n, cv, confidence):.3g} % at a CV of {cv:.3g} %"
    return Plan(n, None, margin_of(n, cv, confidence), cv, "", words)


def power_two_samples(n: int, effect: float, alpha: float = 0.05, *, sided: int = 2) -> float:
    """Power of the two-sample t test with n items of each product.

    effect: |difference|/SD, SD common to both. alpha: significance; sided: 1 or 2, both tails counted
    where 2. n >= 2. Source: Cohen 1988, chapter 2, by the noncentral t.

    >>> round(power_two_samples(30, 2 / 2.8), 4)
    0.7765
    """
    return _power(2 * n - 2, effect * math.sqrt(n / 2), alpha, sided)


def power_one_sample(n: int, effect: float, alpha: float = 0.05, *, sided: int = 1) -> float:
    """Power of the one-sample t test, of a mean against a limit; effect = |mean - limit|/SD, n >= 2.

    >>> round(power_one_sample(11, 1.0), 3)
    0.924
    """
    return _power(n - 1, effect * math.sqrt(n), alpha, sided)


def _power(dof: int, shift: float, alpha: float, sided: int) -> float:
    critical = -float(special.stdtrit(dof, alpha / sided))
    # Beyond this shift the power is 1 to double precision where the critical value is moderate, and the
    # noncentral t's series is slow.
    if shift > critical * 40 + 40:
        return 1.0
    tails = noncentral_t(dof, shift, np.array([critical, -critical]))
    power = 1 - float(tails[0]) + (float(tails[1]) if sided == 2 else 0.0)
    return min(1.0, max(0.0, power))


def _plan_power(power_of, effect: float, power: float, alpha: float, sided: int, samples: int) -> int | None:
    """Least n; the search starts from the normal distribution's answer and what the t adds to it."""
    tail = float(special.ndtri(1 - alpha / sided))
    z = (tail + float(special.ndtri(power))) / effect
    return _least(lambda k: power_of(k, effect) >= power, 2, _whole(samples * z * z + tail * tail / 4))


def _whole(x: float) -> int:
    return int(math.ceil(x)) if x < MOST else MOST


def _checked_test(gap, sd, power, alpha, sided) -> tuple[float, float, float, float] | str:
    d, s, wanted, level = number(gap), number(sd), share(power), share(alpha)
    if d is None or d == 0:
        return "the difference to tell must not be zero"
    if s is None or s <= 0:
        return "no spread to plan with"
    if wanted is None or level is None:
        return "power and significance must lie between 0 and 1"
    if wanted <= level:
        return "the power must exceed the significance"
    if sided not in (1, 2):
        return "a test has one side or two"
    return abs(d), s, wanted, level


def n_to_tell(difference, sd, *, power=0.8, alpha=0.05, sided=2) -> Plan:
    """How many items of each of two products tell a difference of their means.

    difference: least difference worth telling, not 0; sd: SD of one item, common to both, > 0; one unit
    (percent of the mean will do). power, alpha: 0 to 1. sided: 1 or 2. Returns the least n of each
    product. Bad input is refused with a reason. Assumes normal items of equal SD. Source: Cohen 1988,
    section 2.4; exact by the noncentral t.

    >>> n_to_tell(10, 10).n
    17
    """
    checked = _checked_test(difference, sd, power, alpha, sided)
    if isinstance(checked, str):
        return _refused(checked)
    d, s, wanted, level = checked

    def power_of(k: int, effect: float) -> float:
        return power_two_samples(k, effect, level, sided=sided)

    n = _plan_power(power_of, d / s, wanted, level, sided, 2)
    if n is None:
        return _refused("more than a million items: out of reach")
    got = power_of(n, d / s)
    words = f"{n} items of each product tell a difference of {d / s:.3g} SD with a power of {100 * got:.0f} %"
    return Plan(n, None, got, s, "", words)


def n_to_tell_many(difference: float, sds, *, power: float = 0.8, alpha: float = 0.05) -> list[int | None]:
    """`n_to_tell`, two-sided, for many SDs at once: the numbers alone.

    difference, power, alpha: as there, in range. sds: shape (m,), in the unit of the difference; None for
    those that are not above zero or need more than a million items.

    >>> n_to_tell_many(10, [10.0, 30.0, 0.0]), n_to_tell(10, 30).n
    ([17, 143, None], 143)
    """
    sds = np.array([number(x) or np.nan for x in sds], dtype=float)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        effect = np.abs(difference) / np.where(sds > 0, sds, np.nan)
        tail = special.ndtri(1 - alpha / 2)
        guess = np.ceil(2 * ((tail + special.ndtri(power)) / effect) ** 2 + tail * tail / 4)
    usable = guess < MOST
    n = np.maximum(np.where(usable, guess, 2.0)[:, None] + np.arange(-3, 4), 2.0)
    shift = np.where(usable, effect, 1.0)[:, None] * np.sqrt(n / 2)
    critical = -special.stdtrit(2 * n - 2, alpha / 2)
    reached = 1 - noncentral_t(2 * n - 2, shift, critical) + noncentral_t(2 * n - 2, shift, -critical) >= power
    found: list[int | None] = []
    for k, sd in enumerate(sds.tolist()):
        first = int(np.argmax(reached[k]))
        if not usable[k]:
            found.append(None)
        elif reached[k, first] and (n[k, first] == 2 or first > 0):
            found.append(int(n[k, first]))
        else:
            found.append(n_to_tell(difference, sd, power=power, alpha=alpha).n)
    return found


def n_against_limit(gap, sd, *, power=0.8, alpha=0.05, sided=1) -> Plan:
    """How many items show that a mean lies on the right side of a claim's limit.

    gap: true mean's distance from the limit, not 0; sd: SD of one item, > 0; one unit. Other arguments as
    in n_to_tell. Source: NIST/SEMATECH e-Handbook, 7.2.2.2; exact by the noncentral t.

    >>> n_against_limit(1, 1, power=0.9).n
    11
    """
    checked = _checked_test(gap, sd, power, alpha, sided)
    if isinstance(checked, str):
        return _refused(checked)
    d, s, wanted, level = checked

    def power_of(k: int, effect: float) -> float:
        return power_one_sample(k, effect, level, sided=sided)

    n = _plan_power(power_of, d / s, wanted, level, sided, 1)
    if n is None:
        return _refused("more than a million items: out of reach")
    got = power_of(n, d / s)
    words = f"{n} items show a mean {d / s:.3g} SD inside the limit with a power of {100 * got:.0f} %"
    return Plan(n, None, got, s, "", words)


def sd_upper(sd: float, dof: float, assurance: float = 0.8) -> float:
    """Upper confidence limit of an SD: sd sqrt(dof/chi2(1 - assurance; dof)), one-sided.

    Source: Browne 1995, Stat. Med. 14:1933 (a pilot's SD at an upper limit; from memory).

    >>> round(sd_upper(1.0, 9, 0.975), 4)
    1.8256
    """
    chi2 = 2 * float(special.gammaincinv(dof / 2, 1 - assurance))
    return sd * math.sqrt(dof / chi2) if chi2 > 0 else math.inf


@dataclass(frozen=True)
class _Pilot:
    mean: float
    sd: float
    upper: float
    n: int


def _pilot(values, assurance) -> _Pilot | str:
    data, sure = vector(values), share(assurance)
    if data is None:
        return "a pilot value is absent or not a finite number"
    if sure is None or sure <= 0.5:
        return "the assurance must lie between 0.5 and 1"
    if len(data) < 2:
        return "a pilot needs at least 2 independent items"
    scale = float(np.max(np.abs(data)))
    if float(np.ptp(data)) <= 1e-13 * scale:
        return "the pilot values are all equal: no spread to plan with"
    sd = float(np.std(data / scale, ddof=1)) * scale
    upper = sd_upper(sd, len(data) - 1, sure)
    if not (math.isfinite(sd) and math.isfinite(upper)):
        return "the pilot's spread is too large to compute"
    return _Pilot(float(np.mean(data / scale)) * scale, sd, upper, len(data))


def _both(likely: Plan, cautious: Plan, pilot: _Pilot, assurance: float) -> Plan:
    if likely.n is None:
        return likely
    tail = f"; to be {100 * assurance:.0f} % sure, as the SD comes from only {pilot.n} items, " + (
        f"{cautious.n} items" if cautious.n is not None else "more than a million items"
    )
    return Plan(likely.n, cautious.n, likely.achieved, likely.assumed, "", likely.words + tail)


def n_for_margin_from_pilot(values, margin_pct, *, level=0.95, assurance=0.8) -> Plan:
    """How many items bring a mean's interval to a wanted margin, planned from pilot readings.

    values: shape (n,), independent items (unit means where units were tested), one unit, mean > 0 and
    clear of zero. margin_pct: wanted half-width in percent of the mean. n comes from the pilot's SD,
    n_cautious from its upper confidence limit at `assurance` (above 0.5). Refused with a reason where the
    pilot cannot serve. Sources: as n_for_margin; Browne 1995 (from memory).

    >>> plan = n_for_margin_from_pilot([9.2, 10.4, 10.1, 10.9, 9.6], 5)
    >>> plan.n, plan.n_cautious
    (10, 19)
    """
    pilot = _pilot(values, assurance)
    if isinstance(pilot, str):
        return _refused(pilot)
    if pilot.mean <= 0 or margin_of(pilot.n, pilot.sd) >= pilot.mean:
        return _refused("the pilot's mean is not clear of zero: a margin in percent has no meaning")
    likely = n_for_margin(100 * pilot.sd / pilot.mean, margin_pct, level=level)
    cautious = n_for_margin(100 * pilot.upper / pilot.mean, margin_pct, level=level)
    return _both(likely, cautious, pilot, assurance)


def n_to_tell_from_pilot(values, difference, *, power=0.8, alpha=0.05, sided=2, assurance=0.8) -> Plan:
    """How many items of each product tell a difference, planned from pilot readings of one.

    values: shape (n,), independent items, one unit; difference: same unit, not 0. n comes from the
    pilot's SD, n_cautious from its upper confidence limit at `assurance`. Sources: as n_to_tell; Browne
    1995 (from memory).

    >>> plan = n_to_tell_from_pilot([9.2, 10.4, 10.1, 10.9, 9.6], 1.0)
    >>> plan.n, plan.n_cautious
    (9, 18)
    """
    pilot = _pilot(values, assurance)
    if isinstance(pilot, str):
        return _refused(pilot)
    likely = n_to_tell(difference, pilot.sd, power=power, alpha=alpha, sided=sided)
    cautious = n_to_tell(difference, pilot.upper, power=power, alpha=alpha, sided=sided)
    return _both(likely, cautious, pilot, assurance)
