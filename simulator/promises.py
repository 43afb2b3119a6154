"""The invariants of SAFETY that are due, each with a name and one sentence, and how a broken one is told."""

INVARIANTS = {
    "NEVER_INLET_AND_VENT": "inlet and vent are never both driven open",
    "INLET_ONLY_WHEN_LIVE": "an energised output means a run that a named person armed and started, in this process",
    "TRIP_MEANS_SAFE": "from the trip until its reset nothing is driven that isolates or vents less",
    "TRIP_LATCHED": "a latch is cleared only by a named person's reset, when nothing is wrong any more",
    "NO_SELF_START": "pressure begins only in the very step in which a named person started an armed rig",
    "PERMISSIVES_HELD_AT_START": "door, stop and supply were good when armed and when started",
    "ESTOP_DOMINATES": "a scan that shows the emergency stop pressed leaves everything driven safe, at once",
    "GUARD_DOMINATES": "a scan that shows the door open under pressure leaves everything driven safe, at once",
    "LINE_AT_ZERO_IS_PROVEN": "VENTED is said only after every specimen sample was good and low for the hold time",
    "SAFE_TO_OPEN_IS_PROVEN": "SAFE TO OPEN is said only with every specimen channel good and low, and truly so",
    "ISOLATION_PROVEN": "and only after a passed rise test since the supply was last live, with every feed shut",
    "NO_POCKET_FORGOTTEN": "and only with every pocket of the rig file proven low or vented, none left to a hand",
    "ZERO_NEVER_HIDES": "and no such word is owed to a zero",
    "OVERPRESSURE_TRIPS": "a sample above a trip row's limit for its persistence trips, zeroed or not",
    "OVERPRESSURE_BOUNDED": "true pressure above the trip finds the rig commanded safe within its reaction time",
    "SETPOINT_WITHIN_ALL_LIMITS": "no set-point above this profile's maximum and trim, no target rising too fast",
    "NEVER_AHEAD": "on a sound rig the true pressure does not run ahead of what is called for",
    "HOLD_STANDS_STILL": "while a person holds, the pressure called for does not move",
    "STALE_IS_UNSAFE": "no output stays energised on a required channel that is old, failed or too long doubtful",
    "VALUES_ARE_TRUE": "each value is what its counts say by the rig file, to a part in a million",
    "BAD_NEVER_USED": "no value that was not good is called good, and none enters the highest pressure",
    "DISAGREEMENT_TRIPS": "transducers further apart than the limit for the persistence trip the rig",
    "READBACK_AGREES": "an output that shows something else than it was told, for too long, trips the rig",
    "KICK_IMPLIES_HEALTH": "a kick follows a fresh scan with every channel good and a computer that is well",
    "WATCHDOG_DROPS": "without kicks everything is de-energised after the relay's time",
    "WATCHDOG_NEVER_REARMS": "what the relay dropped stays down until somebody starts a run",
    "WATCHDOG_IS_FED": "on a sound rig with a computer that is well the relay does not drop",
    "NO_PRESSURE_WITHOUT_RECORD": "nothing stays energised when the journal is behind or cannot be written",
    "RECORD_BEFORE_PRESSURE": "a command that raises pressure is driven only after its record was handed over",
    "COMMANDS_ARE_DRIVEN": "what the engine commands is what is driven, in the same step, and nothing else",
    "RECOVERED_IS_TOLD_ALL": "a device that came back is told every one of its outputs again",
    "JOURNAL_COMPLETE": "the record is whole: sequence, chain, and every message but those of the last 100 ms",
    "REPLAY_SAYS_THE_SAME": "the stored inputs make the stored outputs again, byte for byte",
    "HIGHEST_IS_MAX": "the highest pressure is the maximum of the good samples since the start and never falls",
    "RUN_SCOPED_STATE_FRESH": "a new process begins with nothing of the old run but the latch",
    "MONOTONIC_TIME": "every output carries its input's time; a stepped wall clock is said and changes nothing else",
    "EVERY_STATE_TIMES_OUT": "no live state lasts longer than its limit",
    "LIVENESS_VENTED": "with all faults healed the line is proven low, or called unproven, within 30 s",
    "LIVENESS_READY": "and from there the people can make the rig ready again within a minute",
    "VERDICT_IS_EARNED": "no verdict but from an unbroken run; no accept below the minimum the body really stood",
    "TRUTH_WITHIN_BOUND": "in a run without faults of sight the body's true strength lies within the result's bound",
    "ACT_ANSWERED": "each act of a person is granted or refused, once, in words",
    "BOUNDED": "no step says more than a rig has things to say",
    "NEVER_RAISES": "no message makes the engine raise",
}


class Violation(AssertionError):
    """An invariant did not hold."""

    def __init__(self, name: str, words: str, promises: dict[str, str] = INVARIANTS) -> None:
        assert name in promises, name
        super().__init__(f"{name}: {promises[name]}; found: {words}")
        self.name, self.words = name, words


def require(holds: object, name: str, words: object = "") -> None:
    if not holds:
        raise Violation(name, str(words() if callable(words) else words))
