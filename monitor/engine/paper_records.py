"""Records on paper, made of the stores alone: by the running service, on its schedule, and by the command."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from monitor.engine.derivation import Deriver
from monitor.engine.page_answers import sheet
from monitor.engine.recall import Recall
from monitor.engine.record_watch import not_accepted
from monitor.history.shop_history import TOLD, declared_things
from monitor.model.shift_span import ShiftSpan
from monitor.report.bead_plane import packages_of, plane_of, plane_svg
from monitor.report.paper import Paper, PaperSize, pdf_of
from monitor.report.sheet import Sheet
from monitor.report.sources import Sources
from monitor.report.speaking import speaker
from monitor.report.week_record import week_record
from monitor.settings.schema import Settings
from monitor.store.contract import Ledger, SeriesStore, Witness
from monitor.store.witness_book import WitnessBook


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which record: "package", "lot", "job" or "week", which of them, and of which site."""

    kind: str
    of: str
    site: str = ""


def sources_of(
    settings: Settings,
    stores: tuple[SeriesStore, Ledger],
    now_s: float,
    shift_spans: Callable[[float, float], Sequence[ShiftSpan]],
) -> Sources:
    """What records are made of where no service runs here: the same fold and clocks, from the stores."""
    series, ledger = stores
    things = declared_things(settings).history(ledger.events(kinds=TOLD))
    recall = Recall(Deriver(settings, series), series, things)
    book = WitnessBook(settings.service.data_dir, series)

    def witnesses() -> Sequence[Witness]:
        return [one.witness for one in not_accepted(ledger, book)]

    return Sources(settings, ledger, series, recall, now_s, shift_spans, witnesses)


def on_paper(sources: Sources, wanted: Wanted, size: PaperSize) -> bytes:
    """A record as a PDF; InputError where there is none, PaperUnavailableError without the typesetter."""
    settings = sources.settings
    site = wanted.site or settings.sites[0].id
    chart, beads = "", ""
    undrawn: tuple[str, ...] = ()
    if wanted.kind == "week":
        record = week_record(sources, site, wanted.of)
        made, chart, undrawn = record.sheet, record.chart, record.undrawn
    else:
        made = sheet(sources, wanted.kind, wanted.of, site)
        writing = sources.writing(next(one for one in settings.sites if one.id == site))
        plane = plane_of(sources.ledger, packages_of(made), writing)
        beads = "" if plane is None else plane_svg(plane, writing)
    shop = _shop(settings, made, site)
    return pdf_of(
        Paper(made, shop, size, chart, undrawn, beads, settings.web.language, speaker(settings)),
        sources.now_s,
    )


def _shop(settings: Settings, made: Sheet, site: str) -> str:
    names = {one.id: one.name for one in settings.sites}
    return names[site] if made.kind == "week" else " and ".join(names.values())
