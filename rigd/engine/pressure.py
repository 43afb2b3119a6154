"""Closed-loop control of the regulator's set-point: feed-forward of the pressure called for, plus a limited PI trim.

The trim is limited so that a leaking body cannot talk the loop into feeding it without end, and the integral stops
growing at the limit (anti-windup). While an interlock holds the run (the supply is lost, say) the regulator may not be
able to follow, so no more is called for than what stands, and nothing is left to catch up when it can again. When a
failure is called the loop is frozen simply by no longer being asked.
"""

from math import isfinite

from rigd.engine.standing import Sight
from rigd.model.rig import Control


class PressureLoop:
    __slots__ = ("_at_ns", "_integral_pa", "_ki_per_s", "_kp", "_period_ns", "_trim_pa", "_waits", "set_point_pa")

    def __init__(self, control: Control, t_ns: int, set_point_pa: float) -> None:
        self._kp, self._ki_per_s = control.kp, control.ki_per_s
        self._period_ns, self._trim_pa = control.period_ns, control.trim_pa
        self._at_ns = t_ns
        self._integral_pa = 0.0
        self._waits = False
        self.set_point_pa = set_point_pa

    def follow(self, sight: Sight, target_pa: float) -> float:
        """The set-point for now [Pa]; it moves once a control period."""
        elapsed_ns = sight.t_ns - self._at_ns
        if elapsed_ns < self._period_ns:
            return self.set_point_pa
        self._at_ns = sight.t_ns
        error_pa = target_pa - sight.pressure_pa
        if not isfinite(error_pa):
            return self.set_point_pa
        if sight.interlocked:
            if not self._waits and error_pa > 0.0:
                self.set_point_pa = sight.pressure_pa if sight.pressure_pa > 0.0 else 0.0
            self._waits, self._integral_pa = True, 0.0
            return self.set_point_pa
        self._waits = False
        grown_pa = self._integral_pa + self._ki_per_s * error_pa * (elapsed_ns / 1e9)
        trim_pa = self._kp * error_pa + grown_pa
        limit_pa = self._trim_pa
        if -limit_pa < trim_pa < limit_pa:
            self._integral_pa = grown_pa
        elif trim_pa >= limit_pa:
            trim_pa = limit_pa
        else:
            trim_pa = -limit_pa
        set_point_pa = target_pa + trim_pa
        self.set_point_pa = set_point_pa if set_point_pa > 0.0 else 0.0
        return self.set_point_pa
