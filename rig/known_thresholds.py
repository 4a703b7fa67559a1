"""What the thresholds in the ledger say of the next one: where to look, and when to stop rising."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from rig.hints import AGAIN_SPREAD, Found, Hint, melt_limited, next_hint
from rig.search import SearchSettings

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.ledger import Ledger, SearchRow


class KnownThresholds:
    """The thresholds of one run, as its ledger has them now."""

    def __init__(self, ledger: Ledger, bench: Bench) -> None:
        self._ledger, self._plan, self._chain = ledger, bench.plan, bench.chain()

    def is_done(self, temperature_c: float, current_a: float, repeat: int) -> bool:
        """Whether this search is over."""
        row = self.row(temperature_c, current_a, repeat)
        return row is not None and row.status is not None

    def row(self, temperature_c: float, current_a: float, repeat: int) -> SearchRow | None:
        """The search of that name, finished or not."""
        return next(
            (
                s
                for s in self._ledger.searches()
                if (s.temperature_c, s.current_a, s.repeat) == (temperature_c, current_a, repeat)
            ),
            None,
        )

    def found(self, temperature_c: float, repeat: int | None = None) -> list[tuple[int, Found]]:
        """Thresholds with both ends at a temperature, by rising force: search id and threshold."""
        found = [
            (
                s.id,
                Found(
                    s.force_n,
                    math.sqrt(s.clean_mm_s * s.skip_mm_s),
                    math.log(s.skip_mm_s / s.clean_mm_s),
                ),
            )
            for s in self._ledger.searches()
            if s.temperature_c == temperature_c
            and (repeat is None or s.repeat == repeat)
            and s.status in ("found", "wide")
            and s.excluded in (None, "melt-limit")
            and s.force_n is not None
            and s.clean_mm_s is not None
            and s.skip_mm_s is not None
        ]
        return sorted(found, key=lambda pair: pair[1].force_n)

    def stops_rising(self, temperature_c: float, current_a: float) -> bool:
        """Whether more current is of no use at this temperature."""
        for s in self._ledger.searches():
            if s.temperature_c != temperature_c or s.current_a >= current_a:
                continue
            if s.status in ("slip", "speed-limit"):
                return True
        for repeat in range(self._plan.repeats):
            found = self.found(temperature_c, repeat)
            if melt_limited([f for _, f in found]):
                top = max(s.current_a for s in self._ledger.searches() if s.id == found[-1][0])
                if current_a > top:
                    return True
        return False

    def mark_melt(self, temperature_c: float) -> None:
        """Thresholds where flow no longer rises are marked, for the fit and the report."""
        for repeat in range(self._plan.repeats):
            found = self.found(temperature_c, repeat)
            for index in melt_limited([f for _, f in found]):
                self._ledger.exclude_search(found[index][0], "melt-limit")

    def settings(
        self, temperature_c: float, current_a: float, repeat: int, *, max_speed_mm_s: float
    ) -> SearchSettings:
        """How the next search begins: where the thresholds so far say that it should."""
        plan = self._plan
        here = self.found(temperature_c)
        others = [t for t in sorted(plan.temperatures_c) if t < temperature_c and self.found(t)]
        other_c = others[-1] if others else None
        hint = next_hint(
            [f for _, f in here],
            force_n=self._chain.force_n(current_a),
            temperature_c=temperature_c,
            other=[f for _, f in self.found(other_c)] if other_c is not None else (),
            other_temperature_c=other_c,
        )
        # A later repeat may ask where the first one ended, but not believe it too much.
        before = self.row(temperature_c, current_a, repeat - 1) if repeat else None
        if before is not None and before.clean_mm_s and before.skip_mm_s:
            middle = math.sqrt(before.clean_mm_s * before.skip_mm_s)
            hint = Hint(middle, AGAIN_SPREAD)
        start, top = plan.start_speed_mm_s, max_speed_mm_s
        return SearchSettings(
            start_mm_s=start,
            max_mm_s=top,
            resolution=plan.resolution,
            hint_mm_s=min(max(hint.speed_mm_s, start), top) if hint else None,
            hint_spread=min(max(hint.spread, 0.03), 1.0) if hint else 0.2,
        )
