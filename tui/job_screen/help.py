"""The help screen of each step: what it is for, what the words mean, which keys there are."""

from __future__ import annotations

from typing import ClassVar

from rich.text import Text
from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Footer, Static

from bench import cautions
from bench.procedure import Step
from tui.job_screen import words

KEYS = (
    "space  press: here, now – the pedal does the same, and is all that is needed from neutral to verified\n"
    "A  adjust again     N  neutral anew     K  enter clearance, spring tension, torque     PgDn PgUp  what has no room\n"
    "C  other checks     E  end the job and keep its record     V  recheck     R  begin again after a failure\n"
    "B  bell at each opening on or off     F4  light or dark ground     ?  this help     Q  leave; what was read is kept"
)
HAND_KEYS = (
    "The hand on the simulated unit\n"
    "→ ←  turn on or back by 1°     . ,  by 0.1°     PgDn PgUp  by 15°     T  keep turning     H  hold\n"
    "G  let go, or take hold     L  loosen or tighten the screws     ↑ ↓  points later or earlier by 0.1° (loose)\n"
    "Tab  the other set of points     M  look at the unit, mend it"
)
OF_STEP = {
    Step.SENSE: (
        "Instrument check. The rotor is turned in its running direction, so that the encoder counts the right way, the index shows itself "
        "and each probe changes. Points that never open over two lobe spacings: coil lead still on, a shorting spring in the grounding "
        "lead's plug, a shorted capacitor, jumpered breakers, or a cam that does not lift. Points that never close: clip off, painted "
        "housing, dirty faces."
    ),
    Step.MARKS: (
        "Marks. A press says: the mark lines up here, now. The No. 1 lobe's mark names the lobes of a compensated cam; the manual's angle "
        "mark is the reference of some units."
    ),
    Step.NEUTRAL: (
        "Neutral is where the coil core carries no flux: the magnet is drawn in and holds, and pulls away a little to either side. "
        "Friction stops it short on the side that it comes from, therefore it is felt from both sides, at least twice each. "
        "Rests after letting go make it surer. The coil core and its bridge must be in place. The first opening after that ends the step."
    ),
    Step.AS_FOUND: (
        "As found: the openings before anything is touched. They are kept beside those after the adjustment. A pass is one opening "
        "crossed in the running direction; turning back over it does not count."
    ),
    Step.ADJUST: (
        "Adjust. Hold the rotor at the target and move the points until they just open. An opening later than the target is to come "
        "earlier: where the contact itself is moved, by a wider clearance. Clearance, spring tension and screw torque belong here (K): "
        "each can move the angle. Main breaker first, then the second. The figures here are live and carry no verdict. One press when "
        "all is tightened to the final torque begins the verification."
    ),
    Step.VERIFY: (
        "Verify: several passes of every lobe after the final torque. ± is the expanded uncertainty as far as it is known; a verdict is "
        "guarded by it. More passes help only while their scatter rules. A slow turn and a quick one tell how much the capacitor delays "
        "the edge."
    ),
    Step.CHECKS: (
        "Other checks: what the manual asks for beside the angle, with its limit and the tool used. Lines marked ■ stop the job: a "
        "distributor that is a tooth off gives a perfect angle on a useless unit. Any change now makes the verification void (A, K)."
    ),
    Step.DONE: (
        "The record is kept, as found and as left. Inspector, signature and certificate are left to people. V begins a recheck: a second "
        "verify, linked to this record, after leads are reconnected, after a stand run, or at closing."
    ),
}


class HelpScreen(ModalScreen[None]):
    """Help on the present step; any of Escape, ? or Enter leaves it."""

    DEFAULT_CSS = """
    HelpScreen VerticalScroll { border: round $foreground; padding: 0 1; background: $surface; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,question_mark,enter,q", "dismiss", "back")]

    def __init__(self, step: Step, acting: bool, sheet: tuple[str, ...] = ()) -> None:
        super().__init__()
        self._step = step
        self._acting = acting
        self._sheet = sheet

    def compose(self) -> ComposeResult:
        """The text."""
        with VerticalScroll():
            yield Static(help_text(self._step, self._acting, self._sheet))
        yield Footer()


def help_text(step: Step, acting: bool, sheet: tuple[str, ...] = ()) -> Text:
    """Help on one step."""
    text = Text()
    text.append(f"Help: {words.STEP_OF[step]}\n\n", "bold")
    text.append(f"{OF_STEP.get(step, '')}\n\n")
    if sheet:
        text.append("The exercise's manual extract (invented)\n", "bold")
        text.append("".join(f"  {line}\n" for line in sheet) + "\n")
    text.append("Keys\n", "bold")
    text.append(f"{KEYS}\n\n")
    if acting:
        text.append(f"{HAND_KEYS}\n\n")
    text.append("Cautions\n", "bold")
    text.append("".join(f"▲ {caution}\n" for caution in cautions.ALL))
    text.rstrip()
    return text
