"""A person who acts a rehearsal in this process, in device time."""

from __future__ import annotations

import json
from typing import Any

from firmware_protocol.framing import Frame
from sim.rehearsal import Rehearsal
from sim.scenario import Scenario
from tests.sim.device import START, frames, greeted, wire

#: Longest that any command here takes, seconds of device time.
LONGEST_S = 30.0


class Acted:
    """A rehearsal whose clock runs: `do` commands, let time pass, look at what was felt and sent."""

    def __init__(self, scenario: Scenario, seed: int = 3) -> None:
        self.rehearsal = Rehearsal(scenario, seed)
        self.world = self.rehearsal.world
        greeted(self.world).receive(wire(START))
        self.felt: list[dict[str, Any]] = []
        self.sent = b""
        self.wait(0.1)

    @property
    def angle_deg(self) -> float:
        """Where the magnet stands."""
        return self.world.rotor.angle_deg

    def answer(self, do: str, **keys: object) -> dict[str, Any]:
        """What a command is answered with."""
        answer: dict[str, Any] = self.rehearsal.obey(json.dumps({"do": do, **keys}))
        return answer

    def do(self, do: str, **keys: object) -> dict[str, Any]:
        """A command that must be obeyed, and time until it is done."""
        answer = self.answer(do, **keys)
        assert "refused" not in answer, answer
        if do in ("turn", "hold", "seek"):
            self.until_still()
        return answer

    def refused(self, do: str, **keys: object) -> str:
        """Why a command is refused."""
        return str(self.answer(do, **keys)["refused"])

    def wait(self, seconds: float) -> list[dict[str, Any]]:
        """Let time pass; what was felt meanwhile."""
        data, felt = self.rehearsal.advance(seconds)
        self.sent += data
        found: list[dict[str, Any]] = [line["felt"] for line in felt]  # type: ignore[misc]
        self.felt += found
        return found

    def until_still(self) -> None:
        """Until the hand has done what it was told."""
        end = self.world.now_s + LONGEST_S
        while True:
            found = self.wait(0.1)
            if found and not found[-1]["busy"]:
                return
            assert self.world.now_s < end

    def frames(self) -> list[Frame]:
        """What the board has sent."""
        return frames(self.sent[: self.sent.rfind(b"\0") + 1])

    def probe_is_open(self, channel: int = 0) -> bool:
        """What the board's pin reads."""
        return self.world.reads_open(channel)

    def truth(self) -> dict[str, Any]:
        """The truth's line."""
        truth: dict[str, Any] = json.loads(json.dumps(self.rehearsal.truth()))
        return truth

    def opens_deg(self, breaker: str = "main", lobe: int = 0) -> float:
        """Where a lobe opens in truth, from its own neutral."""
        (found,) = [o for o in self.truth()["openings"] if (o["breaker"], o["lobe"]) == (breaker, lobe)]
        return float(found["from_neutral_deg"])
