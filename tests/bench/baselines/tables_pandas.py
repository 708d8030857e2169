"""python tables_pandas.py FOLDER: what tables.sql works out, as one who knows pandas would write it, from the CSV files."""

import sys
from pathlib import Path

import pandas as pd

FOLDER = Path(sys.argv[1])
LATE = ["cull_off_type", "cull_weak", "cull_disease", "cull_bud_failed", "cull_other", "dead"]
CULLS = {
    "cull_round": ["cull_off_type", "cull_bent_root", "cull_etiolated", "cull_weak", "cull_disease", "cull_other", "dead"],
    "bag_up": ["cull_off_type", "cull_bent_root", "cull_weak", "cull_disease", "cull_other", "dead"],
    "cut_back": LATE,
    "stake": LATE,
    "top": LATE,
}
KEPT = {
    "bag_up": ["bagged"],
    "cut_back": ["cut", "not_ready"],
    "stake": ["staked", "not_ready"],
    "top": ["topped", "not_ready"],
}
STAGE = {"open_group": 1, "bag_up": 2, "budding": 3, "bud_take": 4, "cut_back": 5, "stake": 6, "top": 7}
MINUS = {"loss": "lost", "bud_take": "missing", "transfer": "moved", "despatch": "despatched"}
TEXTS = dict.fromkeys(("group_code", "to_group", "to_scanned", "code_scanned", "code_typed"), "str")


def table(form: str) -> pd.DataFrame:
    files = sorted(FOLDER.glob(f"{form}-*.csv"))
    return pd.concat([pd.read_csv(f, dtype=TEXTS, parse_dates=["visit_date"]) for f in files], ignore_index=True)


forms = {form: table(form) for form in {*STAGE, *CULLS, *MINUS, "stock_count"}}
counts = forms["stock_count"]
forms["stock_count"] = counts[~counts["KEY"].isin(counts["deprecatedID"].dropna())]

heads = []
for form, sent in forms.items():
    part = sent[["KEY", "group_code", "visit_date", "end"]].copy()
    part["form"], part["stage"] = form, STAGE.get(form, 0)
    part["coverage"] = sent.get("coverage", "whole")
    part["lost"] = sent[CULLS[form]].sum(axis=1) if form in CULLS else sent[MINUS[form]] if form in ("loss", "bud_take") else 0
    part["change"] = sent["planted"] if form == "open_group" else -sent[MINUS[form]] if form in MINUS else -part["lost"]
    part["found"] = (
        sent["counted"] if "counted" in sent else sent[KEPT[form]].sum(axis=1) + part["lost"] if form in KEPT else None
    )
    heads.append(part)
    if form == "transfer":
        heads.append(part.assign(group_code=sent["to_group"], change=sent["moved"], stage=4))
booked = pd.concat(heads, ignore_index=True).sort_values(["group_code", "visit_date", "end", "KEY"], na_position="last")
groups = booked.groupby("group_code", sort=False)
booked["book"] = groups["change"].cumsum() - booked["change"]
booked["stage_before"] = groups["stage"].cummax().groupby(booked["group_code"], sort=False).shift(fill_value=0)

counted = booked[booked["found"].notna()]
whole = counted[counted["coverage"] == "whole"]
whole = whole.assign(difference=whole["found"] - whole["book"])[["group_code", "visit_date", "difference"]]
parts = counted[counted["coverage"] != "whole"].copy()
parts["is_last"] = parts["coverage"] == "last_part"
in_form = parts.groupby(["group_code", "form"], sort=False)
parts["number"] = in_form["is_last"].cumsum() - parts["is_last"]
parts["lost_before"] = parts["lost"].where(~parts["is_last"], 0)
walks = (
    parts.groupby(["group_code", "form", "number"], sort=False)
    .agg(
        visit_date=("visit_date", "max"),
        found=("found", "sum"),
        book=("book", "last"),
        lost=("lost_before", "sum"),
        last=("is_last", "any"),
        every=("is_last", "all"),
    )
    .reset_index()
)
walks = walks[walks["last"] & ~walks["every"]]
walks["difference"] = walks["found"] - walks["book"] - walks["lost"]
differences = pd.concat([whole, walks[["group_code", "visit_date", "difference"]]])
differences = pd.DataFrame(
    {
        "what": "count",
        "level": differences["group_code"],
        "detail": differences["visit_date"],
        "n": differences["difference"].astype("int64"),
    }
)

rising = booked[booked["stage"] > booked["stage_before"]]
came = (rising["book"] + rising["change"]).groupby(rising["stage"]).sum()
gone = booked.groupby("stage_before")["lost"].sum().reindex(came.index, fill_value=0)
survival = pd.DataFrame({"what": "survival", "level": came.index.astype(str), "n": (came - gone).values, "of": came.values})

opened = forms["open_group"].drop_duplicates("group_code")[["group_code", "rootstock"]]
moved = forms["transfer"][["group_code", "to_group"]].merge(opened, on="group_code")
moved = moved.drop_duplicates("to_group")[["to_group", "rootstock"]].rename(columns={"to_group": "group_code"})
lots = forms["budding"].drop_duplicates(["group_code", "team_code", "attempt"])[["group_code", "team_code", "attempt", "scion"]]
reads = (
    forms["bud_take"].merge(lots, on=["group_code", "team_code", "attempt"]).merge(pd.concat([opened, moved]), on="group_code")
)
reads["buds"] = reads["green"] + reads["brown"] + reads["missing"]
takes = []
for by in ("team_code", "rootstock", "scion"):
    rate = reads.groupby(by)[["green", "buds"]].sum().reset_index()
    takes.append(
        pd.DataFrame(
            {"what": "take", "level": rate[by], "detail": by.removesuffix("_code"), "n": rate["green"], "of": rate["buds"]}
        )
    )
pd.concat([*takes, survival, differences], ignore_index=True).to_csv("tables.csv", index=False)
