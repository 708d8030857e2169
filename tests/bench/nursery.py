"""Makes the invented nursery on disk, in a process of its own:

    python -m tests.bench.nursery FOLDER --submissions 27000 --years 3 --as zip --as csv --as files --more 500
    python -m tests.bench.nursery FOLDER --counts 1000000

The first writes FOLDER/nursery.toml and lists/, xml.zip or csv/ or xml/, and more.zip with submissions later than all
others. The second writes csv/ with the openings of groups and counts/ with so many stock counts of them.
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path

SEED = 11


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    options.add_argument("folder", type=Path)
    options.add_argument("--submissions", type=int, default=0)
    options.add_argument("--counts", type=int, default=0)
    options.add_argument("--years", type=int, default=3)
    options.add_argument("--seed", type=int, default=SEED)
    options.add_argument("--more", type=int, default=0)
    options.add_argument("--as", dest="kinds", action="append", choices=("zip", "csv", "files"), default=[])
    given = options.parse_args()
    if given.counts:
        make_counts(given.folder, given.counts, given.seed)
    else:
        make(given.folder, given.submissions, given.years, given.seed, given.kinds, given.more)


def make(folder: Path, submissions: int, years: int, seed: int, kinds: list[str], more: int) -> None:
    """An invented nursery of so many submissions in a folder, and so many more beside it."""
    from tests.bench.submissions import some_more, some_years
    from tests.bench.writing import write_archive, write_files, write_nursery, write_tables

    folder.mkdir(parents=True, exist_ok=True)
    sent = some_years(submissions, years, seed)
    write_nursery(sent, folder)
    if "zip" in kinds:
        write_archive(sent, folder / "xml.zip")
    if "csv" in kinds:
        write_tables(sent, folder / "csv")
    if "files" in kinds:
        write_files(sent, folder / "xml")
    if more:
        write_archive(some_more(sent, more), folder / "more.zip")


def make_counts(folder: Path, counts: int, seed: int) -> None:
    """So many stock counts in counts/, and the openings of their groups in csv/."""
    from tests.bench.submissions import many_counts
    from tests.bench.writing import write_nursery, write_tables

    sent = many_counts(counts, seed)
    folder.mkdir(parents=True, exist_ok=True)
    write_nursery(sent, folder)
    for form_id, sub in (("open_group", "csv"), ("stock_count", "counts")):
        write_tables(replace(sent, tables={form_id: sent.tables[form_id]}), folder / sub)


if __name__ == "__main__":
    main()
