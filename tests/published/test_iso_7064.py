"""ISO/IEC 7064 MOD 97-10. Reference library: python-stdnum, whose documented inputs are the standard's examples."""

from __future__ import annotations

import random

import pytest
from stdnum.iso7064 import mod_97_10

from formpack.group_code import check_digits, is_group_code


@pytest.mark.parametrize(
    ("payload", "check"),
    [
        ("99991234567890121414", "90"),
        ("4354111611551114", "31"),
        ("794", "44"),
        ("000000", "98"),
        ("000001", "95"),
        ("100000", "22"),
        ("123456", "76"),
        ("654321", "27"),
        ("999999", "20"),
    ],
)
def test_worked_values(payload: str, check: str) -> None:
    assert check_digits(payload) == check == mod_97_10.calc_check_digits(payload)


def test_agrees_with_reference_library() -> None:
    dice = random.Random(7064)
    for _ in range(3000):
        payload = f"{dice.randrange(10**6):06d}"
        assert check_digits(payload) == mod_97_10.calc_check_digits(payload)
        assert mod_97_10.is_valid(payload + check_digits(payload))


def test_every_single_digit_and_every_swap_is_detected() -> None:
    dice = random.Random(97)
    for _ in range(300):
        payload = f"{dice.randrange(10**6):06d}"
        code = payload + check_digits(payload)
        for at in range(8):
            for digit in "0123456789":
                assert is_group_code(code[:at] + digit + code[at + 1 :]) == (digit == code[at])
        for i in range(8):
            for j in range(i):
                swapped = list(code)
                swapped[i], swapped[j] = code[j], code[i]
                assert is_group_code("".join(swapped)) == (code[i] == code[j])


def test_other_spellings_of_the_same_remainder_are_refused() -> None:
    """00 for 97, 01 for 98 and 99 for 02 leave remainder 1 too, and are not check digits."""
    seen = set()
    for number in range(3000):
        payload = f"{number:06d}"
        proper = check_digits(payload)
        for other in ("00", "01", "99"):
            if int(payload + other) % 97 == 1:
                seen.add((proper, other))
                assert not is_group_code(payload + other)
    assert seen == {("97", "00"), ("98", "01"), ("02", "99")}
