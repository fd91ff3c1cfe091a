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
PROBE = (
    "Clip to the insulated terminal, strain-relieved, clear of the cam; never to the moving arm. No battery or insulation tester across "
    "the probe."
)
POINTS = (
    "Do not over-open or bend the points. Contacts dry and clean; cam and felt lubricated as the manual says. The magnet pulls away when "
    "it is let go."
)
CLOSING = "Discharge the capacitor before touching it. Watch the lead when closing the housing."

#: What hands do on the unit, in one piece.
HANDS = f"{SNAP} {PROBE} {POINTS} {CLOSING}"
ALL = (AID, LIVE, SNAP, PROBE, POINTS, CLOSING)
#: Acknowledged once, at intake; each is shown again in the step where it matters.
ACKNOWLEDGED = (AID, LIVE, HANDS)
BY_STEP = {
    Step.SENSE: LIVE,
    Step.MARKS: LIVE,
    Step.NEUTRAL: SNAP,
    Step.AS_FOUND: PROBE,
    Step.ADJUST: POINTS,
    Step.CHECKS: CLOSING,
}
