"""One repetition in time."""

from dataclasses import dataclass

from analysis.records import RepetitionSide


@dataclass(frozen=True)
class Span:
    """When one repetition happens [s].

    The movement begins at `start_s`, reaches its far end at `arrive_s`, leaves it at `leave_s` and is back
    at rest at `end_s`. `height` is how far it went, in the units of the exercise's driver [deg].
    `measured` is the share of its samples that were seen. An unfinished one ends with the clip. `way` is how
    far it went in the picture, as a share of the trunk's length there, or, of a roll of the knees, as an
    angle [deg]; NaN where that cannot be compared.
    `coarse`: the picture, which times this movement better, could not; its times are by angles alone.
    `hidden`: the leg is behind the other one and only its foot shows that it moved, not by how much.
    """

    side: RepetitionSide
    start_s: float
    arrive_s: float
    leave_s: float
    end_s: float
    height: float
    measured: float
    complete: bool = True
    direction: str | None = None
    way: float = float("nan")
    hidden: bool = False
    coarse: bool = False

    @property
    def turn_s(self) -> float:
        """Middle of the time at the far end [s]."""
        return (self.arrive_s + self.leave_s) / 2

    @property
    def duration_s(self) -> float:
        """From the first movement to rest [s]."""
        return self.end_s - self.start_s
