"""Which signals of a profile a poll tells of (pure).

Most are registers of their own: they are told where the bench file names them. A position that is reckoned from a
drive's contacts is none: it is told wherever its contacts are read, whether the profile names these or not.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, final

from ventproof_bench.plant.contacts import ReckonedTraits

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from ventproof_bench.base.evidence import Poll, SignalTraits


@final
class Sources:
    """Maps polls to the signals of a profile.

    Args:
        names: the profile's signal names, by the bench's.
        traits: what is declared of the signals, by the profile's names; of a position that is reckoned, what is read in
            its place.
    """

    def __init__(self, names: Mapping[str, str], traits: Mapping[str, SignalTraits]) -> None:
        self._names = names
        self._last: Mapping[str, float] | None = None
        self._told: Sequence[tuple[str, float]] = ()
        self._reckoned = [(name, one) for name, one in traits.items() if isinstance(one, ReckonedTraits)]

    def values(self, poll: Poll) -> Sequence[tuple[str, float]]:
        """Return the signals that a poll read, by the profile's names, with what was read.

        Args:
            poll: an answered read; of a position its values are those of its contacts.
        """
        # A poller that reads the same words again hands on the same mapping.
        if poll.values is not self._last:
            self._last, self._told = poll.values, tuple(self._values(poll))
        return self._told

    def _values(self, poll: Poll) -> Iterator[tuple[str, float]]:
        for bench_name, value in poll.values.items():
            name = self._names.get(bench_name)
            if name is not None:
                yield name, value
        for name, traits in self._reckoned:
            contacts = traits.packed(poll.values)
            if contacts is not None:
                yield name, contacts

    def unread(self, poll: Poll) -> Iterator[tuple[str, str]]:
        """Yield the signals that a poll should have read and did not, by the profile's names, and why.

        Args:
            poll: an answered read; a contact without a value is one of the position, too.
        """
        for unread in poll.unread:
            name = self._names.get(unread.signal)
            if name is not None:
                yield name, str(unread)
            for reckoned, traits in self._reckoned:
                if unread.signal in traits.flags:
                    yield reckoned, str(unread)
