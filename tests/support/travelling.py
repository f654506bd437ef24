"""A vent that travels, and what polls read of it: the truth, its register, and each reading's window."""

from __future__ import annotations

import random

import numpy as np

from ventproof_bench.base.evidence import Sample

Course = tuple[list[float], list[float]]
"""Corners: instants, s, and positions, %."""


def steady(r: random.Random, rate: float, travels: int) -> Course:
    """Travel end to end at one speed, with rests."""
    t, x, speed = [0.0], [99.0], rate * r.uniform(0.95, 1)
    for number in range(travels):
        target = 99.0 if number % 2 else 5.0
        t += [t[-1] + (rest := r.uniform(5, 9)), t[-1] + rest + abs(target - x[-1]) / speed]
        x += [x[-1], target]
    return [*t, t[-1] + 10], [*x, x[-1]]


def jogging(r: random.Random, rate: float, travels: int) -> Course:
    """Travel to one place after the other by jogs of one length, with pauses of one length."""
    t, x, speed = [0.0], [99.0], rate * r.uniform(0.5, 1)
    jog_s, pause_s = r.uniform(0.2, 3), r.uniform(0.2, 5)
    for _ in range(travels):
        target = r.uniform(0, 100)
        while abs(target - x[-1]) > 1e-9:
            by = min(speed * jog_s, abs(target - x[-1]))
            x += [x[-1] + (by if target > x[-1] else -by)] * 2
            t += [t[-1] + by / speed, t[-1] + by / speed + pause_s]
    return t, x


def wandering(r: random.Random, rate: float, travels: int) -> Course:
    """Move at any speed up to the fastest, for any time, and stand in between."""
    t, x = [0.0], [r.uniform(0, 100)]
    for _ in range(30 * travels):
        lasts_s = r.expovariate(1 / r.choice([0.3, 1, 3, 10])) + 1e-3
        by = r.choice([0.0, 1.0, -1.0, r.uniform(-1, 1)]) * rate * lasts_s
        t.append(t[-1] + lasts_s)
        x.append(min(100.0, max(0.0, x[-1] + by)))
    return t, x


def read(
    r: random.Random, course: Course, *, every_s: float, refresh_s: float, step: float, bias: float = 0.0
) -> list[Sample]:
    """Poll a register that is copied every `refresh_s`, in steps of `step`, off by up to `bias`."""
    t, x = course
    count = int(t[-1] / every_s) - 1
    jitter = np.random.default_rng(r.randrange(2**32))
    requested = (np.arange(count) + r.random()) * every_s + jitter.uniform(0, 0.002, count)
    replied = requested + jitter.uniform(0.002, 0.006, count)
    copied = jitter.uniform(requested, replied)
    if refresh_s:
        phase = r.uniform(0, refresh_s)
        copied = np.floor((copied - phase) / refresh_s) * refresh_s + phase
    shown = np.round((np.interp(copied, t, x) + r.uniform(-bias, bias)) / step) * step
    return [
        Sample(round(float(v), 9), float(a), float(b))
        for v, a, b in zip(shown, requested, replied, strict=True)
    ]
