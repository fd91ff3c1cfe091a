"""What can hurt, said where it matters. Every screen, guide and report takes its cautions from here."""

from __future__ import annotations

from bench.procedure import Step

AID = (
    "Training and measurement aid. The maker's current manual and the local authority's rules govern; a licensed person decides "
    "airworthiness and signs."
)
LIVE = (
    "A magneto is live whenever it turns and its primary is not grounded. Coil lead off the points and its end insulated; "
    "keep clear of high-tension terminals; never on an installed unit."
)
SNAP = "An impulse coupling can snap: keep fingers and leads clear. Rotor-locking tools out before turning."

BY_STEP = {Step.SENSE: LIVE, Step.MARKS: LIVE, Step.NEUTRAL: SNAP}
