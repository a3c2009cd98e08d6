"""One-tap links: signed, for one purpose, until a moment."""

import string

import pytest
from hypothesis import given
from hypothesis import strategies as st

from monitor.notify.links import Link, LinkError, read
from tests.signed_links import make_link, sign

KEY = b"0123456789abcdef0123456789abcdef"
LINK = Link("acknowledge", "humidity-wire-store", 2_000.0, "Morgan Reyd", 1_234.567)


def test_a_link_says_what_it_allows() -> None:
    assert read(KEY, sign(KEY, LINK), 1_999.0) == LINK


def test_a_link_hangs_below_the_base_address() -> None:
    address = make_link("https://shop.example/", KEY, "shelve", "c1", 50.0, who="A", since_s=1.0)
    token = address.removeprefix("https://shop.example/a/")
    assert read(KEY, token, 0.0) == Link("shelve", "c1", 50.0, "A", 1.0)


def test_a_link_is_short_enough_for_a_message() -> None:
    assert len(sign(KEY, LINK)) < 140


def test_a_link_expires() -> None:
    with pytest.raises(LinkError) as caught:
        read(KEY, sign(KEY, LINK), 2_000.0)
    assert caught.value.reason == "expired"


def test_another_key_does_not_open_it() -> None:
    with pytest.raises(LinkError) as caught:
        read(b"another key of the same length!!", sign(KEY, LINK), 0.0)
    assert caught.value.reason == "forged"


@given(place=st.integers(0, 200), letter=st.sampled_from(string.ascii_letters + string.digits + "-_"))
def test_no_changed_letter_is_accepted(place: int, letter: str) -> None:
    token = sign(KEY, LINK)
    place %= len(token)
    changed = token[:place] + letter + token[place + 1 :]
    if changed != token:
        with pytest.raises(LinkError):
            read(KEY, changed, 0.0)


@given(st.text(max_size=2_000))
def test_no_text_breaks_the_reader(token: str) -> None:
    with pytest.raises(LinkError):
        read(KEY, token, 0.0)


@given(
    action=st.text(max_size=20),
    condition=st.text(max_size=60),
    who=st.text(max_size=40),
    expires_s=st.integers(1, 4_000_000_000),
    since_s=st.none() | st.integers(0, 4_000_000_000),
)
def test_what_is_signed_is_read_back(
    action: str, condition: str, who: str, expires_s: int, since_s: int | None
) -> None:
    link = Link(action, condition, float(expires_s), who, None if since_s is None else float(since_s))
    assert read(KEY, sign(KEY, link), 0.0) == link
