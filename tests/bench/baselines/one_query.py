"""python one_query.py STORE QUERY: open a store read-only, run one query, print what it gives."""

import sys

import duckdb

with duckdb.connect(sys.argv[1], read_only=True) as store:
    print(len(store.execute(sys.argv[2]).fetchall()), "rows")
