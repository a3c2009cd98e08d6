"""Live update over server-sent events, and a server that stops although somebody is listening."""

import itertools
import json
import re
import socket
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from typing import Any

import pytest
import requests

from monitor.model.errors import InputError
from monitor.model.picture import Picture
from monitor.web import live
from monitor.web.app import create_app
from monitor.web.frame.page import PageFrame, Web
from monitor.web.server import Server, serve
from tests.web import sample


def messages(response: requests.Response) -> Iterator[tuple[str, dict[str, str]]]:
    """The named messages of a stream."""
    name = ""
    for line in response.iter_lines(chunk_size=1, decode_unicode=True):
        if line.startswith("event: "):
            name = line.removeprefix("event: ")
        elif line.startswith("data: "):
            yield name, json.loads(line.removeprefix("data: "))


def test_a_change_is_sent_and_only_what_changed(shop: sample.Shop, server: Server) -> None:
    with requests.get(server.url + "/live/now", stream=True, timeout=10) as response:
        assert response.headers["content-type"].startswith("text/event-stream")
        stream = messages(response)
        name, pieces = next(stream)
        assert name == "pieces"
        assert "Wet now" in pieces["answer"]
        zones = tuple(replace(z, reason="mist") if z.id == "slip-bay" else z for z in shop.picture.zones)
        shop.picture = replace(shop.picture, zones=zones)
        name, pieces = next(stream)
        assert name == "pieces"
        assert set(pieces) == {"zones"}
        assert "mist" in pieces["zones"]


def test_with_nothing_changed_a_page_is_drawn_once_for_many_looks_and_browsers(
    shop: sample.Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[str] = []
    plain = Web.pieces

    def counted(web: Web, shown: PageFrame, *more: Any) -> dict[str, str]:
        drawn.append(shown.snapshot.zones[0].reason)
        return plain(web, shown, *more)

    monkeypatch.setattr(Web, "pieces", counted)
    monkeypatch.setattr(live, "LOOK_EVERY_S", 0.01)
    monkeypatch.setattr(live, "BEAT_EVERY_S", 0.1)
    messages_so_far = itertools.count()

    def composed() -> Picture:
        """As the service composes it: a new object for each look, with other numbers for programs."""
        numbers = {"messages": float(next(messages_so_far))}
        return replace(
            shop.picture, parts=tuple(replace(part, numbers=numbers) for part in shop.picture.parts)
        )

    server = serve(create_app(replace(shop.deps, snapshot=composed)), "127.0.0.1", 0)
    tokens = set()
    try:
        with ExitStack() as open_:
            streams = []
            for _ in range(3):
                answer = open_.enter_context(requests.get(server.url + "/live/now", stream=True, timeout=10))
                streams.append(messages(answer))
                name, pieces = next(streams[-1])
                assert name == "pieces"
                tokens |= set(re.findall(r'name="form_token" value="([^"]*)"', "".join(pieces.values())))
            for stream in streams * 3:
                assert next(stream)[0] == "beat"
            assert drawn == [shop.picture.zones[0].reason]
            assert len(tokens) == 3  # each browser's forms carry its own
            zones = (replace(shop.picture.zones[0], reason="mist"), *shop.picture.zones[1:])
            shop.picture = replace(shop.picture, zones=zones)
            for stream in streams:
                changed = next(found for name, found in stream if name == "pieces")
                assert set(changed) == {"zones"}
            assert drawn[1:] == ["mist"]
    finally:
        server.stop()


def test_the_pieces_of_a_stream_are_those_of_the_page(server: Server) -> None:
    with requests.Session() as session:
        page = session.get(server.url + "/", timeout=10).text
        with session.get(server.url + "/live/now", stream=True, timeout=10) as response:
            _, pieces = next(messages(response))
    for name, html in pieces.items():
        assert html.strip() in page, name


def test_an_unknown_page_cannot_be_followed(server: Server) -> None:
    assert requests.get(server.url + "/live/attic", timeout=10).status_code == 404


def test_stopping_does_not_wait_for_listeners(shop: sample.Shop) -> None:
    server = sample.start(shop)
    with requests.get(server.url + "/live/now", stream=True, timeout=10) as response:
        stream = messages(response)
        next(stream)
        server.stop()
        assert list(stream) == []  # ended in order; a stream that stopping had to cut off would raise
    with pytest.raises(requests.ConnectionError):
        requests.get(server.url, timeout=2)


def test_an_answer_on_a_kept_open_connection_does_not_wait_for_an_acknowledgement(server: Server) -> None:
    with requests.Session() as browser:
        browser.get(server.url + "/safety", timeout=10).raise_for_status()
        accepted = [
            one.transport.get_extra_info("socket") for one in server._uvicorn.server_state.connections
        ]
        assert accepted
        for connection in accepted:
            assert connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) == 1


def test_a_taken_port_is_a_clear_error(shop: sample.Shop, server: Server) -> None:
    with pytest.raises(InputError) as caught:
        serve(create_app(shop.deps), "127.0.0.1", server.port)
    (fault,) = caught.value.faults
    assert (fault.field, fault.value) == ("web.port", str(server.port))
    assert "another program holds it" in fault.fix


def test_a_host_that_is_not_here_is_a_clear_error(shop: sample.Shop) -> None:
    # 192.0.2.1 is kept free for documentation (RFC 5737)
    with pytest.raises(InputError) as caught:
        serve(create_app(shop.deps), "192.0.2.1", 0)
    assert caught.value.faults[0].field == "web.host"
