"""python tables_duckdb.py load FOLDER STORE    the tables of FOLDER into STORE
python tables_duckdb.py query STORE            the query of tables.sql over them, what it gives into tables.csv
python tables_duckdb.py both FOLDER            both in one process, tables in memory
"""

import sys
from pathlib import Path

from typed_csv import connected, load

what, *given = sys.argv[1:]
with connected({"load": given[-1], "query": given[0], "both": ":memory:"}[what]) as store:
    if what != "query":
        files: dict[str, list[Path]] = {}
        for path in sorted(Path(given[0]).glob("*.csv")):
            files.setdefault(path.stem.rpartition("-")[0], []).append(path)
        for form, parts in files.items():
            load(store, form, parts)
    if what != "load":
        query = Path(__file__).with_name("tables.sql").read_text(encoding="utf-8")
        store.execute(f"COPY ({query}) TO 'tables.csv'")
