"""Thins the record of a long hold; what is judged, and what may cut power, is never thinned."""

from __future__ import annotations

from harness.bench.sample import SupplySample

__all__ = ["ThinnedRecord"]

#: At most one sample in this time, unless it has changed.
_EVERY_S = 0.2


class ThinnedRecord:
    """Decides which samples of the supply go into the record.

    Args:
        resolution: Change of voltage and current from which on a sample is kept at once; None
            keeps every sample.
    """

    def __init__(self, resolution: tuple[float, float] | None = None) -> None:
        self._resolution = resolution
        self._kept: SupplySample | None = None

    def keeps(self, sample: SupplySample) -> bool:
        """Whether a sample goes into the record."""
        if self._resolution is None:
            return True
        kept = self._kept
        if kept is not None and not self._says_more(kept, sample, self._resolution):
            return False
        self._kept = sample
        return True

    @staticmethod
    def _says_more(
        kept: SupplySample, sample: SupplySample, resolution: tuple[float, float]
    ) -> bool:
        return (
            sample.time_s - kept.time_s >= _EVERY_S
            # written so that a value that is no number is kept
            or not abs(sample.voltage_v - kept.voltage_v) <= resolution[0]
            or not abs(sample.current_a - kept.current_a) <= resolution[1]
            or sample.protection
        )
