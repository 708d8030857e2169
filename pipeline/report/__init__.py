def write_report(store, ws): return []
