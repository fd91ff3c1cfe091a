"""Words that screen and plain text share."""

from __future__ import annotations

from bench.procedure import Step

#: Steps that a job goes through: by the stream alone, and led by a person.
STEPS = (Step.SENSE, Step.MARKS, Step.NEUTRAL, Step.PASSES, Step.DONE)
GUIDED_STEPS = (Step.SENSE, Step.MARKS, Step.NEUTRAL, Step.AS_FOUND, Step.ADJUST, Step.VERIFY, Step.CHECKS, Step.DONE)

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
