"""How a case of the simulated department truly uses each line: ten kinds of line, none of them a candidate model.

Use depends on the case type (an effect on the log or logit scale), the technique, the size class, booked
extras, how long the case takes, and a room-day effect that nobody records. Every number is invented.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from scipy.special import expit, gammaln, logit, xlog1py, xlogy

K_MAX = 12  # pieces a case; larger draws count as 12
TECHNIQUES = ("general, tube", "general, mask", "intravenous, tube", "regional", "sedation")
SIZE_CLASSES = ("neonate", "infant", "toddler", "child", "adult", "large adult")
DAY_SD = 0.20  # of the room-day effect, on the log or logit scale
MINUTES_EXPONENT = 0.3  # use grows with the case's length to this power

PIECES = np.arange(K_MAX + 1)


@dataclass(frozen=True)
class Circumstances:
    """What decides a case's use. Arrays (cases,), except the last two: (cases, nodes)."""

    case_type: np.ndarray
    technique: np.ndarray
    size_class: np.ndarray
    arterial: np.ndarray
    central: np.ndarray
    changed: np.ndarray  # whether a change of practice has come into force
    room_day: np.ndarray
    log_minutes: np.ndarray


@dataclass(frozen=True)
class Run:
    """A size run: pieces a case uses (attempts until one fits), and the size of each by size class."""

    first_try_fails: float
    used_with: np.ndarray  # (techniques,), probability that the run is needed
    split: np.ndarray  # (size classes, sizes)
    effect: np.ndarray  # (case types,)
    change: float

    def pmf(self, at: Circumstances) -> np.ndarray:
        fails = expit(logit(self.first_try_fails) + _shift(self, at) + DAY_SD * at.room_day)
        needed = self.used_with[at.technique][:, None]
        result = np.zeros((*fails.shape, K_MAX + 1))
        result[..., 0] = 1 - needed
        for attempts in range(1, 5):
            result[..., attempts] = needed * (1 - fails) * fails ** (attempts - 1)
        result[..., 5] = needed * fails**4
        return result


@dataclass(frozen=True)
class SizeOfRun:
    run: Run
    run_index: int
    size: int
    kind: str  # tube, mask or cannula size

    def pmf(self, at: Circumstances) -> np.ndarray:
        return thinned(self.run.pmf(at), self.run.split[at.size_class, self.size][:, None])


@dataclass(frozen=True)
class ExactlyOne:
    none: float
    two: float
    used_with: np.ndarray  # (techniques,) bool
    effect: np.ndarray
    change: float
    kind: ClassVar[str] = "exactly one"

    def pmf(self, at: Circumstances) -> np.ndarray:
        shift = _shift(self, at)
        none = expit(logit(self.none) + shift + 0 * at.room_day)
        two = expit(logit(self.two) + shift + DAY_SD * at.room_day)
        used = self.used_with[at.technique][:, None]
        result = np.zeros((*two.shape, K_MAX + 1))
        result[..., 0] = np.where(used, none * (1 - two), 0.97)
        result[..., 1] = np.where(used, (1 - none) * (1 - two), 0.025)
        result[..., 2] = np.where(used, 0.9 * two, 0.005)
        result[..., 3] = np.where(used, 0.1 * two, 0.0)
        return result


@dataclass(frozen=True)
class Syringe:
    """A steady part and a Poisson part: less scattered than a Poisson variable."""

    mean: np.ndarray  # (techniques,)
    effect: np.ndarray
    change: float
    kind: ClassVar[str] = "syringe"
    STEADY: ClassVar[float] = 0.6

    def pmf(self, at: Circumstances) -> np.ndarray:
        mean = self.mean[at.technique][:, None] * np.exp(
            0.7 * _shift(self, at) + MINUTES_EXPONENT * at.log_minutes + DAY_SD * at.room_day
        )
        steady = np.minimum(np.floor(self.STEADY * mean), K_MAX)
        rest = PIECES - steady[..., None]
        rate = np.maximum(mean - steady, 1e-9)[..., None]
        counted = np.maximum(rest, 0)
        poisson = np.exp(xlogy(counted, rate) - rate - gammaln(counted + 1))
        return _capped(np.where(rest >= 0, poisson, 0.0))


@dataclass(frozen=True)
class Overdispersed:
    mean: np.ndarray  # (techniques,)
    effect: np.ndarray
    change: float
    kind: ClassVar[str] = "overdispersed"
    SHAPE: ClassVar[float] = 1.2

    def pmf(self, at: Circumstances) -> np.ndarray:
        mean = self.mean[at.technique][:, None] * np.exp(
            _shift(self, at) + MINUTES_EXPONENT * at.log_minutes + DAY_SD * at.room_day
        )
        stays = (self.SHAPE / (self.SHAPE + mean))[..., None]
        ways = gammaln(PIECES + self.SHAPE) - gammaln(self.SHAPE) - gammaln(PIECES + 1)
        return _capped(np.exp(ways + self.SHAPE * np.log(stays) + xlog1py(PIECES, -stays)))


@dataclass(frozen=True)
class Lumpy:
    """Opened in packs: 0, 3, 5, 8 or 10 pieces."""

    probability: np.ndarray  # (5,)
    effect: np.ndarray  # (case types, 5)
    change: float
    kind: ClassVar[str] = "lumpy"
    QUANTITIES: ClassVar[tuple[int, ...]] = (0, 3, 5, 8, 10)

    def pmf(self, at: Circumstances) -> np.ndarray:
        towards_more = self.change * np.linspace(-1, 1, 5) * at.changed[:, None]
        weight = self.probability * np.exp(self.effect[at.case_type] + towards_more)
        weight /= weight.sum(axis=1, keepdims=True)
        result = np.zeros((*at.room_day.shape, K_MAX + 1))
        result[..., list(self.QUANTITIES)] = weight[:, None]
        return result


@dataclass(frozen=True)
class LineKit:
    booked: str  # "arterial" or "central"
    second: float
    effect: np.ndarray
    change: float
    kind: str

    def pmf(self, at: Circumstances) -> np.ndarray:
        booked = getattr(at, self.booked)[:, None]
        second = expit(logit(self.second) + _shift(self, at) + DAY_SD * at.room_day)
        result = np.zeros((*second.shape, K_MAX + 1))
        result[..., 0] = np.where(booked, 0.04, 0.985)
        result[..., 1] = np.where(booked, 0.96 * (1 - second), 0.014)
        result[..., 2] = np.where(booked, 0.96 * 0.85 * second, 0.001)
        result[..., 3] = np.where(booked, 0.96 * 0.15 * second, 0.0)
        return result


@dataclass(frozen=True)
class Rare:
    opened: float
    effect: np.ndarray
    change: float
    kind: ClassVar[str] = "rare"

    def pmf(self, at: Circumstances) -> np.ndarray:
        opened = expit(logit(self.opened) + _shift(self, at) + DAY_SD * at.room_day)
        result = np.zeros((*opened.shape, K_MAX + 1))
        result[..., 0], result[..., 1], result[..., 2] = 1 - opened, 0.93 * opened, 0.07 * opened
        return result


def thinned(pmf: np.ndarray, probability: np.ndarray) -> np.ndarray:
    """Binomial thinning, written out here so that the truth shares no code with the forecast."""
    result = np.zeros_like(pmf)
    for q in PIECES:
        for k in PIECES[: q + 1]:
            ways = np.exp(gammaln(q + 1) - gammaln(k + 1) - gammaln(q - k + 1))
            result[..., k] += pmf[..., q] * ways * probability**k * (1 - probability) ** (q - k)
    return result


def _shift(line: object, at: Circumstances) -> np.ndarray:
    return (line.effect[at.case_type] + line.change * at.changed)[:, None]


def _capped(pmf: np.ndarray) -> np.ndarray:
    pmf[..., -1] += 1 - pmf.sum(axis=-1)
    return np.maximum(pmf, 0.0)
