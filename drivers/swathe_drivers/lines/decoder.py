"""Where the columns of lines without separators lie; see `text_decoder` for what is in them."""

import numpy as np
from numpy.typing import NDArray

from swathe_drivers.delimited.fields import Fields, Trimmer
from swathe_drivers.delimited.text_decoder import TextDecoder
from swathe_drivers.framing import Lines
from swathe_drivers.lines.settings import FixedColumnsSettings, PatternSettings
from swathe_drivers.record_values import Bad
from swathe_drivers.records import FaultReason


class FixedColumnsDecoder(TextDecoder):
    """Decodes lines whose columns stand at fixed places; see `swathe_drivers.abc.Decoder`."""

    def __init__(self, settings: FixedColumnsSettings, *, ns_per_byte: int = 0) -> None:
        super().__init__(settings, ns_per_byte=ns_per_byte)
        places = np.array(settings.places, np.int64)
        self._firsts, self._ends = places[:, 0], places[:, 1]
        # The last column may be short, as devices leave out spaces at the end of a line.
        self._least = int(self._firsts.max()) + 1
        self._trimmer = Trimmer(b" \t")

    def _split(self, lines: Lines, bad: Bad) -> tuple[NDArray[np.int64], Fields]:
        rows, starts, ends = self._check_sums(lines, np.arange(lines.starts.size), bad)
        lengths = ends - starts
        short = lengths < self._least
        if short.any():
            for index in np.flatnonzero(short).tolist():
                detail = f"{lengths[index]} characters where there should be {self._least} at least"
                bad[int(rows[index])] = (FaultReason.COLUMNS, detail)
            rows, starts, ends = rows[~short], starts[~short], ends[~short]
        left = starts + self._firsts[:, np.newaxis]
        right = np.minimum(starts + self._ends[:, np.newaxis], ends)
        left, right = self._trimmer.trim(lines.data, lines.block, left, right)
        fields = Fields(lines.data, lines.block, left, right)
        return self._check_constants(rows, fields, bad)


class PatternDecoder(TextDecoder):
    """Decodes lines that fit a regular expression; see `swathe_drivers.abc.Decoder`."""

    def __init__(self, settings: PatternSettings, *, ns_per_byte: int = 0) -> None:
        super().__init__(settings, ns_per_byte=ns_per_byte)
        self._pattern = settings.compiled
        self._groups = [self._pattern.groups[name] for name in settings.columns]
        self._trimmer = Trimmer(b" \t")

    def _split(self, lines: Lines, bad: Bad) -> tuple[NDArray[np.int64], Fields]:
        rows, starts, ends = self._check_sums(lines, np.arange(lines.starts.size), bad)
        data, match, groups = lines.data, self._pattern.spans, self._groups
        spans: list[tuple[int, int]] = []
        good: list[int] = []
        for index, (start, end) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
            # A copy: anchors and word boundaries must not see the line before.
            found = match(data[start:end])
            if found is None:
                detail = "the line does not fit the pattern"
                bad[int(rows[index])] = self._of_another_kind(detail)
                continue
            good.append(index)
            spans += [found[group] for group in groups]
        rows, starts = rows[good], starts[good]
        places = np.array(spans, np.int64).reshape(len(good), len(groups), 2)
        left, right = places[:, :, 0].T, places[:, :, 1].T
        absent = left < 0  # the group took no part: empty
        left = starts + np.where(absent, 0, left)
        right = starts + np.where(absent, 0, right)
        left, right = self._trimmer.trim(data, lines.block, left, right)
        return self._check_constants(rows, Fields(data, lines.block, left, right), bad)
