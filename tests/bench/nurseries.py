"""Many small invented nurseries, unlike each other, to be brought together:

    python -m tests.bench.nurseries FOLDER --nurseries 8 --submissions 400 --skew 0.1 --years 2 --seed 17

Writes FOLDER/N001, N002 ... as workspaces (settings, lists, inbox/xml.zip), and FOLDER/truth.json: what nobody is told, in
logits of take and as a share of the usual losses. Codes of teams, people, places and groups are the same texts in all of them.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import Any

import numpy as np

from tests.bench.crop import WARNED, Ints
from tests.bench.submissions import Sent, some_years
from tests.bench.trade import FIRST, MONTHS, OFF_TYPE, ROOTSTOCK_TAKE, ROOTSTOCKS, SCION_TAKE, SCIONS, TEAMS, Ways
from tests.bench.writing import write_archive, write_nursery

SD = {"nursery": 0.3, "team": 0.15, "month": 0.2, "loss": 0.3}
"""How far they differ: take on the logit, losses on the log."""
RARE = 12
"""Pairs that only one nursery or two of them grow; fewer where there are few nurseries."""
TURN = 40
"""Groups after which a nursery's pairs come again."""
NAMES = (
    ("Upper", "Lower", "Old", "New", "Far", "Near", "Long"),
    ("Brook", "Ridge", "Meadow", "Terrace", "Well", "Orchard", "Lane"),
)


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("folder", type=Path)
    options.add_argument("--nurseries", type=int, default=8)
    options.add_argument("--submissions", type=int, default=400, help="of a nursery, on average")
    options.add_argument("--skew", type=float, default=0.0, help="the share of all submissions that the first nursery has")
    options.add_argument("--years", type=int, default=2)
    options.add_argument("--seed", type=int, default=17)
    write_nurseries(**vars(options.parse_args()))


def write_nurseries(
    folder: Path, nurseries: int = 8, submissions: int = 400, skew: float = 0.0, years: int = 2, seed: int = 17
) -> dict[str, Any]:
    """So many nurseries with so many submissions on average; what truth.json holds. ValueError where a number is too small."""
    if min(nurseries, submissions, years) < 1:
        raise ValueError("nurseries, submissions and years are 1 at least")
    width = max(3, len(str(nurseries)))
    sizes, rare = _sizes(nurseries, submissions, skew), _rare(nurseries, seed)
    common = np.setdiff1d(np.flatnonzero(~WARNED), list(rare))
    told: dict[str, Any] = {}
    for number, size in enumerate(sizes):
        dice = np.random.default_rng([seed, number])
        name, key = f"N{number + 1:0{width}}", dice.bytes(16).hex()
        ways = _ways(dice, size, common, [pair for pair, growers in rare.items() if number in growers])
        sent = some_years(size, years, int(dice.integers(2**62)), ways, per_group=6 * min(years, 2))
        write_nursery(sent, folder / name, f"{NAMES[0][number % 7]} {NAMES[1][number // 7 % 7]} Nursery {number + 1}")
        with (folder / name / "nursery.toml").open("a", encoding="utf-8") as settings:
            settings.write(f'\n[handover]\nnursery = "{name}"\nkey = "{key}"\n')
        (folder / name / "inbox").mkdir(exist_ok=True)
        write_archive(sent, folder / name / "inbox" / "xml.zip")
        told[name] = _truth(sent)
    truth = {
        "seed": seed,
        "sd": SD,
        "rootstocks": {
            r: {"take": t, "off_type": o}
            for r, t, o in zip(ROOTSTOCKS, ROOTSTOCK_TAKE.tolist(), OFF_TYPE.tolist(), strict=True)
        },
        "scions": {s: {"take": t} for s, t in zip(SCIONS, SCION_TAKE.tolist(), strict=True)},
        "rare_pairs": [_pair(pair) for pair in rare],
        "nurseries": told,
    }
    (folder / "truth.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")
    return truth


def _sizes(nurseries: int, submissions: int, skew: float) -> list[int]:
    """How many each sends; the total is the same however skewed."""
    total = nurseries * submissions
    if not skew or nurseries == 1:
        return [submissions] * nurseries
    first = round(skew * total)
    each, left = divmod(total - first, nurseries - 1)
    if first < 1 or each < 1:
        raise ValueError(f"a share of {skew} leaves a nursery without a submission")
    return [first] + [each + (n < left) for n in range(nurseries - 1)]


def _rare(nurseries: int, seed: int) -> dict[int, list[int]]:
    """The rare pairs and who grow each."""
    dice = np.random.default_rng([seed, nurseries, nurseries])
    pairs = dice.permutation(np.flatnonzero(~WARNED))[: min(RARE, 1 + nurseries // 3)].tolist()
    return {pair: dice.permutation(nurseries)[: 1 + n % 2].tolist() for n, pair in enumerate(pairs)}


def _ways(dice: np.random.Generator, size: int, common: Ints, rare: list[int]) -> Ways:
    """A nursery's own: some of the common pairs are grown much and some never; rare pairs are the first that are sown."""
    liked = np.outer(dice.gamma(0.4, size=len(ROOTSTOCKS)), dice.gamma(0.4, size=len(SCIONS))).ravel()[common]
    pairs = dice.choice(common, TURN, p=liked / liked.sum())
    pairs[: len(rare)] = rare
    teams = int(dice.integers(2, 7))
    return Ways(
        pairs,
        take=dice.normal(0, SD["nursery"]),
        team_take=dice.normal(0, SD["team"], teams),
        month_take=dice.normal(0, SD["month"], MONTHS[-1] + 1),
        loss=float(np.exp(dice.normal(0, SD["loss"]))),
        staff=2 * teams + int(dice.integers(0, 7)),
        ordered=800 * (1 + size // 400),
    )


def _truth(sent: Sent) -> dict[str, Any]:
    """What is so of a nursery, as far as its submissions show it. A pair has the buds set of it."""
    ways, crop, buddings = sent.nursery.ways, sent.nursery.crop, sent.tables["budding"]
    pair = crop.rootstock[buddings["group"]] * len(SCIONS) + buddings["scion"]
    buds = np.bincount(pair, buddings["buds_set"], len(ROOTSTOCKS) * len(SCIONS)).astype(np.int64)
    return {
        "submissions": len(sent),
        "take": ways.take,
        "teams": dict(zip(TEAMS.tolist(), ways.team_take.tolist(), strict=False)),
        "months": {str(np.datetime64(FIRST, "M") + m): ways.month_take[m] for m in np.unique(MONTHS[buddings["day"]]).tolist()},
        "loss": ways.loss,
        "pairs": {_pair(p): int(buds[p]) for p in np.flatnonzero(buds).tolist()},
    }


def _pair(pair: int) -> str:
    """SCION/ROOTSTOCK."""
    rootstock, scion = divmod(pair, len(SCIONS))
    return f"{SCIONS[scion]}/{ROOTSTOCKS[rootstock]}"


if __name__ == "__main__":
    main()
