"""Renders pages: one Jinja environment, what every page shows, and the pieces that live update replaces."""

from dataclasses import dataclass, field, fields
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Protocol
from urllib.parse import unquote

from fastapi import Request
from fastapi.responses import HTMLResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from monitor.access.desk import AccessDesk
from monitor.alarms.catalogue import catalogue_from
from monitor.model.level import Level
from monitor.model.picture import Picture
from monitor.model.sensor import SensorStatus
from monitor.report.chart import place, spread_labels
from monitor.report.condition_words import AlarmWords
from monitor.report.paper import HOW_TO_GET_IT, can_print
from monitor.settings.reference import load_toml
from monitor.settings.schema import Settings
from monitor.settings.sentences import sentences
from monitor.web.frame import look, now_view
from monitor.web.frame.alarm_groups import AlarmGroup, acts, groups
from monitor.web.frame.deps import WebDeps
from monitor.web.frame.guard import form_token, session_of
from monitor.web.frame.page_language import speak
from monitor.web.frame.person import LONGEST_NAME, person_of, session_in
from monitor.web.frame.show import Show
from monitor.web.frame.ticks import ActionTick, ticked, ticks

STATIC = Path(__file__).parents[1] / "static"
WHO_COOKIE = "dryshift_who"
DRAWN_EVERY_S = 15.0  # ages are shown in minutes: what is shown is made anew for them too
EVERYWHERE = {
    "clock": "piece/clock.html",
    "notes": "piece/notes.html",
    "badge": "piece/badge.html",
    "dangers": "piece/dangers.html",
}
NAV = (
    ("/", "Now", "now"),
    ("/week", "Week", "week"),
    ("/alarms", "Alarms", "alarms"),
    ("/things", "Rack", "things"),
    ("/more", "More", "more"),
)


@dataclass(frozen=True, slots=True)
class Note:
    """Something about the service itself that a reader must know before believing the page."""

    kind: str  # "alert" or "info": the marks of risk are not used for the service
    text: str


@dataclass(frozen=True, slots=True)
class PageFrame:
    """What every template may use; derived once for all browsers as long as nothing of it changes."""

    snapshot: Picture
    now_s: float
    ticks: dict[str, ActionTick]
    notes: list[Note]
    answer: now_view.Headline
    unanswered: int
    standing: list[AlarmGroup]

    def context(self) -> dict[str, Any]:
        """By name, as templates want it."""
        return {field.name: getattr(self, field.name) for field in fields(self)}


class LastFrame:
    """The last of what was shown, and what it was made from."""

    def __init__(self) -> None:
        self._last: tuple[tuple[Picture, dict[str, ActionTick], int], PageFrame] | None = None

    def of(self, web: "Web", snapshot: Picture) -> PageFrame:
        """What is shown of a picture now: the same object until something in it is another."""
        now_s = web.deps.clock()
        found = ticks(web.deps.ledger, now_s) if snapshot.actions else {}
        made_from = (snapshot, found, int(now_s // DRAWN_EVERY_S))
        last = self._last
        if last is not None and last[0] == made_from:
            return last[1]
        shown = _shown(web, ticked(snapshot, found), found, now_s)
        self._last = (made_from, shown)
        return shown


def _shown(web: "Web", snapshot: Picture, found: dict[str, ActionTick], now_s: float) -> PageFrame:
    standing = groups(snapshot.alarms, web.words)
    return PageFrame(
        snapshot=snapshot,
        now_s=now_s,
        ticks=found,
        notes=notes(web.show, snapshot, now_s),
        answer=now_view.answer(snapshot, now_s),
        unanswered=sum(group.unanswered for group in standing),
        standing=standing,
    )


@dataclass(frozen=True)
class Web:
    """The dependencies together with what renders them."""

    deps: WebDeps
    show: Show
    words: AlarmWords
    env: Environment = field(repr=False)
    last: LastFrame = field(default_factory=LastFrame, repr=False)

    def page(self, request: Request, template: str, status: int = 200, **context: Any) -> HTMLResponse:
        """A whole page."""
        session = session_of(request)
        html = self.env.get_template(template).render(
            **{**self.shown().context(), "now_s": self.deps.clock()},
            path=request.url.path,
            token=form_token(self.deps.key, session),
            who=who_of(self.deps.settings, request),
            me=session_in(request),
            reads=getattr(request.state, "reads", True),
            **context,
        )
        return HTMLResponse(html, status_code=status, headers={"cache-control": "no-cache"})

    def pieces(self, shown: PageFrame, templates: dict[str, str], token: str, who: str) -> dict[str, str]:
        """The named pieces of a page, each as HTML."""
        common = shown.context()
        return {
            name: self.env.get_template(file).render(**common, token=token, who=who)
            for name, file in templates.items()
        }

    def shown(self) -> PageFrame:
        """What pages show now; the same object as before where nothing of it changed."""
        return self.last.of(self, self.deps.snapshot())


class PageDeps(Protocol):
    """What pages of accounts work with."""

    @property
    def settings(self) -> Settings:
        """Whose people they are."""

    @property
    def key(self) -> bytes:
        """What signs forms."""

    @property
    def desk(self) -> AccessDesk | None:
        """Where people are let in."""


class Pages(Protocol):
    """What renders pages of accounts: those of a shop, or of all shops."""

    @property
    def deps(self) -> PageDeps:
        """What they work with."""

    def page(self, request: Request, template: str, status: int = 200, **context: Any) -> HTMLResponse:
        """A whole page."""


def make_web(deps: WebDeps) -> Web:
    """The renderer for these dependencies."""
    env = Environment(
        loader=PackageLoader("monitor.web", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    shop = deps.settings.web
    speak(env, sentences(shop.language), twelve=shop.clock == "12")
    show = Show(deps.settings)
    words = AlarmWords(catalogue_from(load_toml("conditions.toml")), _names(deps.settings))
    sites = deps.settings.sites
    env.globals.update(
        show=show,
        look=look,
        view=now_view,
        Level=Level,
        SensorStatus=SensorStatus,
        settings=deps.settings,
        nav=NAV,
        static=static_address,
        shop=sites[0].name if len(sites) == 1 else f"{sites[0].name} and {len(sites) - 1} more",
        words=words,
        acts=acts,
        can_print=can_print,
        how_to_print=HOW_TO_GET_IT,
        spread_labels=spread_labels,
        at_height=place,
        people=[person.name for person in deps.settings.people],
        accounts=deps.settings.web.has_accounts,
    )
    return Web(deps, show, words, env)


def _names(settings: Settings) -> dict[str, str]:
    """What people call everything that has an id."""
    found = {zone.id: zone.name for zone in settings.zones}
    found |= {cylinder.id: cylinder.name for cylinder in settings.cylinders}
    found |= {plate.id: plate.name for plate in settings.plates}
    return found | {package.id: package.name for package in settings.packages}


def who_of(settings: Settings, request: Request) -> str:
    """Whose name the forms of this browser carry."""
    return person_of(settings, request, name_before(request))


def name_before(request: Request) -> str:
    """The name that this browser gave before."""
    return unquote(request.cookies.get(WHO_COOKIE, ""))[:LONGEST_NAME]


def notes(show: Show, snapshot: Picture, now_s: float) -> list[Note]:
    """What is wrong or special with the service, worst first."""
    found = []
    if snapshot.not_judged:
        text = f"Nothing is judged now: the picture is from {show.moment(snapshot.time_s, now_s)}."
        found.append(Note("alert", text))
    found += [Note("alert", f"{part.name}: {part.text}") for part in snapshot.parts if not part.ok]
    return found


@lru_cache
def static_address(name: str) -> str:
    """Where a file of ours lies; the mark changes with its content, so browsers may keep it for long."""
    mark = sha256((STATIC / name).read_bytes()).hexdigest()[:10]
    return f"/static/{name}?v={mark}"
