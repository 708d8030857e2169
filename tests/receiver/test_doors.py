"""Digest authentication: the published examples, and what must not open the doors."""

from __future__ import annotations

import json
import re
import stat
from pathlib import Path

import pytest

from pipeline.field.receiver import doors
from pipeline.field.receiver.doors import Doors, People
from pipeline.findings import Refused
from tests.receiver.office import let_in

TARGET, ADDRESS = "/submission", "192.168.1.7"


def test_the_example_of_rfc_2617() -> None:
    """RFC 2617, section 3.5."""
    kept = doors._md5("Mufasa:testrealm@host.com:Circle Of Life")
    given = {"uri": "/dir/index.html", "nonce": "dcd98b7102dd2f0e8b11d0f600bfb0c093"}
    given |= {"nc": "00000001", "cnonce": "0a4f113b", "qop": "auth"}
    assert doors._response(kept, "GET", given) == "6629fae49393a05397450978507c4ef1"


def test_the_example_of_rfc_7616() -> None:
    """RFC 7616, section 3.9.1, with MD5."""
    kept = doors._md5("Mufasa:http-auth@example.org:Circle of Life")
    given = {"uri": "/dir/index.html", "nonce": "7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v"}
    given |= {"nc": "00000001", "cnonce": "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ", "qop": "auth"}
    assert doors._response(kept, "GET", given) == "8ca523f5e9506fed4657c9700eebdbec"


def test_the_header_of_the_example_is_read_as_the_rfc_writes_it() -> None:
    """The Authorization header of RFC 2617, section 3.5, line breaks taken out; only its realm is not ours."""
    header = (
        'Digest username="Mufasa", realm="testrealm@host.com", nonce="dcd98b7102dd2f0e8b11d0f600bfb0c093",'
        ' uri="/dir/index.html", qop=auth, nc=00000001, cnonce="0a4f113b",'
        ' response="6629fae49393a05397450978507c4ef1", opaque="5ccc069c403ebaf9f0171e9517f40e41"'
    )
    assert doors._credentials(header, "/dir/index.html") is None
    found = doors._credentials(header.replace("testrealm@host.com", doors.REALM), "/dir/index.html")
    assert found is not None and (found["username"], found["nc"], found["qop"]) == ("Mufasa", "00000001", "auth")


class Phone:
    """A client of the doors, with a clock that the test sets."""

    def __init__(self, folder: Path) -> None:
        self.time = 1000.0
        self.people = People(folder / "receiver" / "people.json")
        self.password = let_in(self.people, "S01")
        self.doors = Doors(self.people, lambda: self.time)

    def challenge(self) -> dict[str, str]:
        said = self.doors.challenge().removeprefix("Digest ")
        pairs = (part.strip().partition("=") for part in said.split(", "))
        return {key: value.strip('"') for key, _, value in pairs}

    def header(self, nonce: str, count: int | None = 1, name: str = "S01", password: str = "") -> str:
        given = {"username": name, "realm": doors.REALM, "nonce": nonce, "uri": TARGET}
        if count is not None:
            given |= {"nc": f"{count:08x}", "cnonce": "abc", "qop": "auth"}
        kept = doors._md5(f"{name}:{doors.REALM}:{password or self.password}")
        given["response"] = doors._response(kept, "POST", given)
        return "Digest " + ", ".join(f'{key}="{value}"' for key, value in given.items())

    def judge(self, header: str | None, method: str = "POST", target: str = TARGET, address: str = ADDRESS) -> doors.Entry:
        return self.doors.judge(method, target, header, address)


@pytest.fixture
def phone(tmp_path: Path) -> Phone:
    return Phone(tmp_path)


def test_who_has_the_password_comes_in_and_only_its_hash_is_kept(phone: Phone) -> None:
    nonce = phone.challenge()["nonce"]
    assert phone.judge(phone.header(nonce)).person == "S01"
    assert phone.judge(phone.header(nonce, 2)).person == "S01"
    assert phone.judge(phone.header(nonce, 5)).person == "S01", "requests that overtake each other"
    assert phone.judge(phone.header(nonce, 4)).person == "S01"
    text = phone.people.path.read_text(encoding="utf-8")
    assert phone.password not in text and list(json.loads(text)) == ["S01"]
    assert stat.S_IMODE(phone.people.path.stat().st_mode) == 0o600
    challenge = phone.challenge()
    assert (challenge["domain"], challenge["qop"], challenge["algorithm"]) == ("/", "auth", "MD5")


def test_nothing_is_good_twice(phone: Phone) -> None:
    nonce = phone.challenge()["nonce"]
    header = phone.header(nonce)
    assert phone.judge(header).person == "S01"
    again = phone.judge(header)
    assert (again.person, again.is_stale) == ("", True)
    plain = phone.challenge()["nonce"]  # without qop there is no count, so a nonce is good once
    assert phone.judge(phone.header(plain, None)).person == "S01"
    assert phone.judge(phone.header(plain, None)).person == ""
    assert phone.judge(phone.header(plain, 1)).person == ""
    assert phone.judge(phone.header(nonce, None)).person == "", "nor after it was used with one"


def test_what_was_used_is_never_good_again_when_there_is_too_much_of_it(phone: Phone, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(doors, "MOST_NONCES", 3)
    headers = [phone.header(phone.challenge()["nonce"]) for _ in range(6)]
    assert all(phone.judge(h).person or phone.judge(h).is_stale for h in headers)
    assert not any(phone.judge(h).person for h in headers)


def test_an_old_nonce_is_stale_and_no_failure(phone: Phone) -> None:
    nonce = phone.challenge()["nonce"]
    phone.time += doors.NONCE_SECONDS + 1
    for _ in range(2 * doors.FAILURES):
        assert phone.judge(phone.header(nonce)) == doors.Entry(is_stale=True)
    assert phone.judge(phone.header("1000.000:0011223344556677:" + "0" * 32)) == doors.Entry(is_stale=True), "of another run"
    assert phone.judge(phone.header(phone.challenge()["nonce"])).person == "S01"


def test_wrong_passwords_lock_out_that_name_at_that_address(phone: Phone) -> None:
    nonce = phone.challenge()["nonce"]
    for n in range(doors.FAILURES):
        entry = phone.judge(phone.header(nonce, n + 1, password="wrong"))
        assert (entry.person, entry.failed, entry.is_locked) == ("", "S01", False)
    locked = phone.judge(phone.header(nonce, 50))
    assert (locked.person, locked.is_locked) == ("", True), "not even with the right one"
    assert phone.judge(phone.header(nonce, 51), address="192.168.1.8").person == "S01"
    phone.time += doors.LOCK_SECONDS + 1
    assert phone.judge(phone.header(phone.challenge()["nonce"])).person == "S01"


def test_many_names_from_one_address_lock_out_who_tries_them(phone: Phone) -> None:
    nonce = phone.challenge()["nonce"]
    for n in range(doors.FAILURES_OF_ADDRESS):
        assert phone.judge(phone.header(nonce, 1, name=f"X{n}", password="x")).failed == f"X{n}"
    assert phone.judge(phone.header(nonce, 1, name="X", password="x")).is_locked
    assert phone.judge(phone.header(nonce, 1)).person == "S01", "all phones behind a router may have one address"


@pytest.mark.parametrize(
    "other",
    [
        {"uri": "/formList"},
        {"realm": "another"},
        {"algorithm": "MD5-sess"},
        {"algorithm": "SHA-256"},
        {"qop": "auth-int"},
        {"nc": "1"},
        {"nc": "0000000g"},
        {"response": "0" * 32},
        {"response": ""},
        {"username": "S02"},
        {"nonce": ""},
        {"nonce": "é" * 40},
        {"cnonce": "x" * 3000},
    ],
    ids=lambda other: next(iter(other)),
)
def test_what_is_not_as_it_must_be_does_not_open(other: dict[str, str], phone: Phone) -> None:
    header = phone.header(phone.challenge()["nonce"])
    for key, value in other.items():
        header, many = re.subn(rf'\b{key}="[^"]*"', f'{key}="{value}"', header)
        header += "" if many else f', {key}="{value}"'
    assert phone.judge(header).person == ""


@pytest.mark.parametrize(
    "header", [None, "", "Digest", "Digest ,,,", "Basic UzAxOng=", 'Digest username="a', "Digest a=b=c, a=d"]
)
def test_what_is_no_digest_is_asked_for_one(header: str | None, phone: Phone) -> None:
    assert phone.judge(header) == doors.Entry()


def test_it_is_for_this_request_alone(phone: Phone) -> None:
    header = phone.header(phone.challenge()["nonce"])
    assert phone.judge(header, method="GET").person == ""
    assert phone.judge(header, target="/submission?deviceID=x").person == ""
    assert phone.judge(header.replace(f'uri="{TARGET}"', f'uri="http://office{TARGET}"')).person == "", "its hash is of another"


def test_a_new_slip_ends_the_old_password_while_it_runs(phone: Phone) -> None:
    old, phone.password = phone.password, let_in(phone.people, "S01")
    nonce = phone.challenge()["nonce"]
    assert phone.judge(phone.header(nonce, password=old)).person == ""
    assert phone.judge(phone.header(nonce)).person == "S01"
    assert phone.people.remove("S01") and not phone.people.remove("S01")
    assert phone.judge(phone.header(nonce, 2)).person == ""


def test_passwords_are_hard_to_guess_and_easy_to_type() -> None:
    made = {doors.new_password() for _ in range(200)}
    assert len(made) == 200 and all(len(p) == 19 and not set(p) & set("01lio") for p in made)


def test_a_damaged_file_of_people_is_said_with_the_way_out(phone: Phone) -> None:
    phone.people.path.write_text('{"S01": 5}', encoding="utf-8")
    with pytest.raises(Refused, match="--add-person"):
        phone.judge(phone.header(phone.challenge()["nonce"]))
