"""A workspace: one folder with settings, lists, own forms, inbox, store, what goes to the phones, and reports."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

from formpack import shipped
from formpack.catalog import Form, FormError, load_forms
from formpack.pictures import picture_file
from formpack.words import tr
from pipeline.findings import Refused
from pipeline.lists import ListRead, read_list
from pipeline.outputs import one_file
from pipeline.settings import Settings, read_settings, text_fault

LISTS: dict[str, tuple[str, ...]] = {
    "staff": ("code", "label", "works_in", "active"),
    "teams": ("code", "label", "budder", "wrapper", "active"),
    "locations": ("code", "label", "part_of", "looked_after_by", "active"),
    "rootstocks": ("code", "label", "botanical_name", "off_type_low", "off_type_high", "source", "active"),
    "scions": ("code", "label", "botanical_name", "active"),
    "seed_lots": ("code", "label", "rootstock", "supplier", "received", "treated", "seeds_per_litre", "active"),
    "budwood_batches": (
        *("code", "label", "scion", "source_block", "source_tree", "cut_on", "authorisation", "buds"),
        "active",
    ),
    "orders": ("code", "label", "consignee", "scion", "rootstock", "quantity", "wanted_on", "active"),
    "pests": ("code", "label", "active"),
    "products": ("code", "label", "active_ingredient", "reentry_hours", "active"),
    "limits": ("code", "place", "what", "low", "high", "active"),
    "compatibility": ("rootstock", "scion", "grade", "source", "active"),
}
"""The lists of a workspace and the columns that the program reads; a list may have more. In all but
compatibility, `code` is the key; where `label` is missing the code stands in for it."""

MAY_BE_MISSING = {"pests", "products", "limits"}
"""Lists that came later than others: where a nursery has none the shipped rows are its list, or no rows are."""
MADE_FOR_PHONES = {"groups", "sowings"}
"""Lists that forms choose from and the program writes itself: nobody keeps them in lists/."""
SETTINGS_NAME = "nursery.toml"
"""The file by which a workspace is known."""
SETTINGS_FILE = """\
# What this nursery calls itself, and what is usual here. A line that is left out takes the common value.
name = {name}
language = "English (en)"   # in which the titles of forms stand and phones begin
group_size = 1000        # plants in a group
crate_size = 20          # plants in a crate; a crate left out or counted twice is a common miscount

[intervals]              # days unless the name says months; common practice
bud_take = 21            # from budding to reading the buds
earliest_bud_take = 18
latest_bud_take = 35
cut_back = 7             # from the reading to cutting back
stake = 42               # from cutting back to staking
top_months = 12          # from sowing
despatch_months = 18     # from sowing
stock_count = 90         # from the last complete count

[tolerances]
count_share = 0.02       # a group whose number is open by more than this share, and than count_plants, is counted again
count_plants = 5         # (and so large must a change without a record be to be shown)
lot_read_share = 0.9     # of the buds set in a lot so many must have been read; until then the rest stays due
remainder = 20           # what is left of a group, up to so many plants, is to be cleared out and has no other tasks
thin_stem_mm = 6
old_list_days = 7        # a list on a phone older than this is pointed out

[climate]
gap_hours = 24           # readings of a place further apart are not joined: nothing is said of the time between them

[counting]               # learned from the nursery's own counts; a line without its # fixes one
# exact = 0.7            # share of counts that are exact
# error = 0.005          # standard deviation of a near count, as a share of what stands
# gross = 0.03           # share of counts that are quite wrong
# loss = 0.04            # plants that vanish without a record, a day, of a group of a thousand

[hygiene]
steam_minutes = 30       # of a steam or heat cycle of medium or trays, at this temperature at the coolest spot:
steam_celsius = 60       # 140 F (60 C) for 30 minutes, as UC Davis publishes it for media (Air Nursery, Heat treatment)
at_change_of_cultivar = true   # whether knives are to be disinfected where another cultivar comes next
# knives_groups = 1      # groups that may be worked in before knives are disinfected again; off until you fix it
# budwood_days = 14      # days from cutting within which budwood is to be used; off until you fix it

[walk]                   # rounds of counting, as `formpack reconcile --next` proposes them; common practice
plants_per_hour = 2000   # plants that a person counts in an hour
minutes_per_group = 3    # beside that, for each group
minutes_per_house = 10   # and until the first group of a house is reached
hours = 4                # of the round on the report page

[scouting]               # how little a walk is to find; the phone says how many plants to examine for it
level = 0.01             # smallest share of affected plants that is to be found
confidence = 0.95        # how surely
efficacy = 1.0           # chance that an affected plant that is examined is seen to be so

[records]
keep_years = 3           # how long your rules want records of treatments kept; nothing is ever deleted here

[prices]                 # money: off, and nothing of it is shown, until lines here lose their #; nothing is made up
# currency = "EUR"       # how amounts are marked
# tree = 0.00            # price of a tree
# cost = {{ tray = 0.00, bag = 0.00, budded = 0.00, read = 0.00, cut_back = 0.00, staked = 0.00, topped = 0.00 }}
#                        # put into a plant by the time it is at each stage
# trees = {{ "CARRIZO+TAHITI" = 0.00, VALENCIA = 0.00 }}
#                        # price of a tree of a pair, or of a scion, where it is another

[passport]               # plant passports: off, and none is printed, until these lines lose their # and have your own data
# country = "XX"         # two letters of the state where you are registered, as in ISO 3166-1; "GB" for Great Britain
# registration = ""      # your registration number
# origin = "XX"          # where the plants are from: two letters, or the name of a third country
# local_title = ""       # the title in your own language, where it is not English

[receiver]               # phones fetch forms and send what is filled in over the nursery's own network: `formpack receive`
# address = "http://192.168.1.20:8417"   # what slips say; else where it listens
# wifi_name = ""         # these two make the code on a slip by which a phone joins the network; anyone who sees it can
# wifi_password = ""
# most_mb = 10           # largest submission with its photos, in megabytes

[phone]
show_expected = false    # true: a phone tells how many plants are expected before a number is typed; people copy it
"""


@dataclass(frozen=True)
class Workspace:
    folder: Path

    @property
    def lists(self) -> Path:
        return self.folder / "lists"

    @property
    def inbox(self) -> Path:
        return self.folder / "inbox"

    @property
    def phone(self) -> Path:
        return self.folder / "phone"

    @property
    def paper(self) -> Path:
        return self.folder / "paper"

    @property
    def receiver(self) -> Path:
        return self.folder / "receiver"

    @property
    def reports(self) -> Path:
        return self.folder / "reports"

    @property
    def store_file(self) -> Path:
        return self.folder / "store.duckdb"

    @cached_property
    def settings(self) -> Settings:
        return read_settings(self.folder / SETTINGS_NAME)

    @cached_property
    def forms(self) -> dict[str, Form]:
        try:
            return load_forms(self.folder / "forms")
        except FormError as wrong:
            first, *more = wrong.faults
            if more:
                first = tr("{fault} ({n} more; `formpack forms` shows all)", fault=first, n=len(more))
            raise Refused(first) from None

    @property
    def pictures(self) -> dict[str, Path]:
        """The pictures that the forms show, by their names."""
        names = {name for form in self.forms.values() for name in form.pictures}
        found = {name: picture_file(name, self.folder / "forms") for name in sorted(names)}
        return {name: path for name, path in found.items() if path}

    def forms_mark(self) -> str:
        """Changes when a file of any form changes, a picture too, shipped or the nursery's own."""
        mark = hashlib.sha256()
        for folder in (shipped("forms"), self.folder / "forms"):
            for path in sorted(
                p for p in folder.rglob("*") if p.suffix.lower() in (".csv", ".xlsx", ".png", ".jpg") and p.is_file()
            ):
                mark.update(f"{path.relative_to(folder)}\0".encode() + path.read_bytes() + b"\0")
        return mark.hexdigest()

    def list_read(self, name: str) -> ListRead:
        """lists/NAME.csv, with what is wrong in it."""
        path = self.lists / f"{name}.csv"
        if self.lacks_list(name):
            path = shipped("forms") / "lists" / path.name
            if not path.exists():
                return ListRead(name)
        return read_list(path, LISTS.get(name, ("code", "label", "active")))

    def lacks_list(self, name: str) -> bool:
        """Whether a list that may be missing is."""
        path = self.lists / f"{name}.csv"
        return name in MAY_BE_MISSING and not path.exists() and not path.is_symlink()

    def read_list(self, name: str) -> list[dict[str, str]]:
        """The rows of lists/NAME.csv that can be used. Raises Refused where none can be read."""
        found = self.list_read(name)
        if found.broken:
            raise Refused(found.refusal)
        return found.rows


def make_workspace(folder: Path, name: str = Settings.name) -> list[str]:
    """Put what is missing of a workspace into `folder`; what is there stays. Returns what was made. Raises Refused."""
    if fault := text_fault("name", name):
        raise Refused(tr("{fault}.", fault=fault))
    made = []
    for sub in ("lists", "forms", "inbox", "phone", "reports"):
        (folder / sub).mkdir(parents=True, exist_ok=True)
    wanted = {folder / SETTINGS_NAME: SETTINGS_FILE.format(name=json.dumps(name, ensure_ascii=False))}
    for list_name, columns in LISTS.items():
        shipped_list = shipped("forms") / "lists" / f"{list_name}.csv"
        text = shipped_list.read_text(encoding="utf-8") if shipped_list.exists() else ",".join(columns) + "\n"
        wanted[folder / "lists" / f"{list_name}.csv"] = text
    for path, text in wanted.items():
        if not path.exists():
            with one_file(path) as beside:
                beside.write_text(text, encoding="utf-8")
            made.append(str(path.relative_to(folder)))
    return made
