"""The limits of a proof, each with its reason. Those of the findings are not here: a proof asks explain's checks.

Where a reason says "common practice, no source", that is what it is.
"""

from __future__ import annotations

__all__ = [
    "CAPACITY_OFF_PCT",
    "CAPACITY_WRONG_PCT",
    "COARSE_STEP_PCT",
    "DELAY_LONG_S",
    "DELAY_S",
    "DRIFT_PCT_PER_MIN",
    "EARLY_S",
    "FASTEST_L_PER_MIN",
    "FASTEST_PCT_PER_MIN",
    "FEWEST_READINGS",
    "JUMP_PCT",
    "LEAST_EXTENT_PCT",
    "LEAST_REST_S",
    "NOISE_BAD_PCT",
    "NOISE_PCT",
    "SETTLING_S",
]

# Three readings are a sender that goes on sending; one may be a slip, two no rhythm.
FEWEST_READINGS = 3

# A hand presses Enter, or reads a watch, within some three seconds of the valve (common practice, no source).
EARLY_S = 3.0
# Tank senders damp their reading against slosh, by up to ten seconds as a rule (common practice, no source); whoever fills to
# the brim watching one that is twenty seconds behind spills 5 L from a hose of 15 L/min. One period of the sender comes on top
# of either, as a change may have to wait for the next reading.
DELAY_S, DELAY_LONG_S = 10.0, 20.0

# A movement of less says that it moves, and not yet that it follows the tank.
LEAST_EXTENT_PCT = 1.0
# Dump valves drain up to 120 L/min (common practice, no source), and no tank in less than half a minute; a quarter more than
# that is beyond pumps and valves. explain's `level-jumps` goes by the same figures.
FASTEST_L_PER_MIN, FASTEST_PCT_PER_MIN = 150.0, 240.0

# Senders that measure without steps scatter by 0.1 to 0.6 % at rest (common practice, no source). With 1 % the last digit of a
# display in whole percent is never still; with 2 % a display of 5 % parts is not either.
NOISE_PCT, NOISE_BAD_PCT = 1.0, 2.0
# With everything closed and the vehicle at rest nothing moves a level by so much from one reading to the next.
JUMP_PCT = 3.0
# A heater draws 0.5 L/h at most (common practice, no source): 0.05 % a minute of a tank of 17 L. What drifts faster with
# everything closed is a leak, a valve that does not close, or a sender that does not hold.
DRIFT_PCT_PER_MIN = 0.05
# Shorter, and no drift worth the name can be told from noise.
LEAST_REST_S = 20.0
# After a valve was closed, until the level and the sender's damping have come to rest; four periods, if those are longer.
SETTLING_S = 30.0

# explain's `coarse-steps` begins here: nobody can fill by such a gauge, but it may be all that the sender can do.
COARSE_STEP_PCT = 5.0

# Messages round to 0.1 L or whole litres, and makers to the nearest gallon. Beyond explain's limit (`capacity-mismatch`, 10 %)
# it is another tank's capacity, or another unit.
CAPACITY_OFF_PCT, CAPACITY_WRONG_PCT = 2.0, 10.0
