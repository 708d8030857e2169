"""What an attack round found open, and must stay shut; DEVELOPERS.md lists all that was tried."""

from __future__ import annotations

from pathlib import Path

import pytest

from pipeline.field.receiver import doors
from tests.receiver.test_doors import ADDRESS, Phone


@pytest.fixture
def phone(tmp_path: Path) -> Phone:
    return Phone(tmp_path)


def test_a_new_slip_opens_what_the_old_password_locked(phone: Phone) -> None:
    """The phone is told so: wait, or ask the office for a new slip."""
    nonce = phone.challenge()["nonce"]
    for n in range(doors.FAILURES):
        phone.judge(phone.header(nonce, n + 1, password="wrong"))
    assert phone.judge(phone.header(nonce, 50)).is_locked
    phone.password = phone.people.add("S01")
    assert phone.judge(phone.header(nonce, 51)).person == "S01"


def test_wrong_passwords_from_many_addresses_take_no_memory_without_end(
    phone: Phone, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(doors, "MOST_ADDRESSES", 3)
    nonce = phone.challenge()["nonce"]
    for n in range(20):
        phone.judge(phone.header(nonce, name="x" * 900, password="x"), address=f"fd00::{n}")
    assert list(phone.doors._failures) == ["fd00::17", "fd00::18", "fd00::19"]
    for n in range(3 * doors.FAILURES_OF_ADDRESS):
        phone.judge(phone.header(nonce, name=f"X{n}", password="x"))
    assert len(phone.doors._failures[ADDRESS]) == doors.FAILURES_OF_ADDRESS
