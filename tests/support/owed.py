"""A mock unit held against what the oracle of its table says that a unit owes."""

from math import ceil


def first_contradiction(unit, owed, vents, until_s, *, every_s):
    """Return what a unit does that cannot be, where one looks so often until an instant; None for nothing."""
    instants_s = (number * every_s + 0.05 for number in range(ceil(until_s / every_s)))
    return next(filter(None, (_looked_at(unit, owed, vents, at_s) for at_s in instants_s)), None)


def _looked_at(unit, owed, vents, at_s):
    unit.advance(at_s)
    return contradicted(unit, owed, vents, at_s)


def contradicted(unit, owed, vents, at_s):
    """Return what a unit does at an instant that cannot be: an override, or a vent and where it stands; else None."""
    for override, said in owed.active(at_s).items():
        if said != "open" and (override in unit.active) != (said == "yes"):
            return override, at_s
    for vent in vents:
        stands, within = unit.position(vent), owed.vents[vent].within(at_s)
        if not within.low - 1e-6 <= stands <= within.high + 1e-6:
            return vent, at_s, stands, within
    return None
