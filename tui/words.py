"""Words that screen and plain text share."""

from __future__ import annotations

from bench.procedure import Step

STEP_WORDS = {
    Step.SENSE: "running direction",
    Step.MARKS: "marks",
    Step.NEUTRAL: "neutral",
    Step.PASSES: "passes",
    Step.DONE: "result",
}
