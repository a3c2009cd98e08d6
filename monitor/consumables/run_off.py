"""When a wire's outer wraps are to be run off, and how: plain steps, each number with its provenance."""

from collections.abc import Sequence
from dataclasses import dataclass

from monitor.consumables.classes import ConsumableKind
from monitor.consumables.spools import RunOffAdvice, SpoolData, WireType
from monitor.consumables.standing import DecidingRule, Standing
from monitor.consumables.stays import Happening
from monitor.consumables.verdict import PackageVerdict

WIRES = {
    ConsumableKind.CORED_WIRE: "cored",
    ConsumableKind.METAL_CORED_WIRE: "metal-cored",
    ConsumableKind.SOLID_WIRE: "solid",
}
CAUTIONS = (
    "A wire that runs is sharp and may be live: gas off, use the cold inch button, keep face and hands clear "
    "of the end, wear eye protection.",
    "The maker's data sheet and the qualified procedure rule. Where they forbid the wire, no bead frees it.",
)


@dataclass(frozen=True, slots=True)
class RunOffGuide:
    """What to do with a suspect wire before it welds the job again; test beads decide, not the estimate."""

    why: str
    steps: tuple[str, ...]
    estimate: str  # of this very spool; empty where its spool or material is not known
    grounds: tuple[str, ...]
    cautions: tuple[str, ...] = CAUTIONS


def run_off_guide(
    verdict: PackageVerdict,
    kind: ConsumableKind,
    spools: SpoolData,
    advice: RunOffAdvice | None,
    last: Happening | None = None,
    *,
    seismic_work: bool = True,
) -> RunOffGuide | None:
    """The steps where the verdict, or the estimate of the water taken up, calls for them; else None.

    `last` is the newest run-off or test bead: what is done already is not asked for again.
    """
    if kind not in WIRES or verdict.standing is Standing.WITHDRAW:
        return None
    sound = last is Happening.BEAD_SOUND and advice is not None  # from then on the estimate alone tells
    why = _why(verdict, kind, advice, sound=sound)
    if not why:
        return None
    wire = spools.wires[WIRES[kind]]
    steps = _steps(spools, wire, _layers(spools, advice), verdict, seismic_work=seismic_work)
    if last is Happening.RAN_OFF:
        steps = steps[1:]
    return RunOffGuide(
        why=f"{why} The outer wraps have been run off." if last is Happening.RAN_OFF else why,
        steps=steps,
        estimate="" if advice is None else advice.text,
        grounds=tuple(_grounds(spools, wire, advice)),
    )


def _why(verdict: PackageVerdict, kind: ConsumableKind, advice: RunOffAdvice | None, *, sound: bool) -> str:
    if verdict.rule is DecidingRule.TEST_BEAD:
        return "The last test bead was not sound."
    if verdict.standing is Standing.OVER and kind is ConsumableKind.CORED_WIRE and not sound:
        return "Its open hours are used up; of the water it took up, most is in the outer wraps."
    if advice is not None and advice.likely.layers > 0:
        return "By the estimate its outer wraps are damp, whatever its clock says."
    return ""


def _layers(spools: SpoolData, advice: RunOffAdvice | None) -> str:
    usual = f"the outer {spools.usual_layers.value:.0f} layers or so"
    if advice is None or advice.likely.whole_spool or advice.likely.layers <= spools.usual_layers.value:
        return usual
    return f"the outer {advice.likely.layers} layers or so"


def _steps(
    spools: SpoolData, wire: WireType, layers: str, verdict: PackageVerdict, *, seismic_work: bool
) -> tuple[str, ...]:
    minutes = spools.usual_run_off_min.value
    over = verdict.limit_h is not None and verdict.used_h > verdict.limit_h
    # A sound bead frees a wire whose hours are over from no code: the code's word comes before the weld.
    off = "keep it off seismic work and " if seismic_work else ""
    barred = f"{off}ask the inspector before it goes back on the job"
    weld = f"Sound: {barred}." if over else "Sound: weld."
    return (
        f"Run off {layers} into the scrap bin: about {minutes:.0f} minutes at {wire.feed_m_min.value:.0f} "
        f"m/min ({spools.usual_run_off_min.status}). Enter the layers.",
        "Weld a test bead on scrap from the same rack. Chip it and look under the slag for pores and worm "
        "tracks. Enter sound or not.",
        "Not sound: run off another layer and weld another bead, until one is sound. Two in a row not sound: "
        "the damp is deeper, withdraw the spool.",
        f"{weld} At the end of the shift seal the spool with desiccant, cool and dry.",
    )


def _grounds(spools: SpoolData, wire: WireType, advice: RunOffAdvice | None) -> Sequence[str]:
    found = [
        f"{spools.usual_run_off_min.value:.0f} min: {spools.usual_run_off_min.cite()}.",
        f"{spools.usual_layers.value:.0f} layers: {spools.usual_layers.cite()}.",
        f"{wire.feed_m_min.value:.0f} m/min: {wire.feed_m_min.cite()}.",
    ]
    if advice is not None:
        found.append("The estimate: sorption fitted to published exposures, layers by the spool's sizes.")
    return [*found, "Running off takes no hour off the code's clock, and no bead loosens it."]
