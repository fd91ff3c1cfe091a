"""Names of the steps, as a measurement without a screen tells them."""

from __future__ import annotations

from bench.procedure import Step

#: Each step's name where no screen shows it.
STEP_WORDS = {
    Step.SENSE: "running direction",
    Step.MARKS: "marks",
    Step.NEUTRAL: "neutral",
    Step.PASSES: "passes",
    Step.AS_FOUND: "as found",
    Step.ADJUST: "adjust",
    Step.VERIFY: "verify",
    Step.CHECKS: "other checks",
    Step.DONE: "result",
}
