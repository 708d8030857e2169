def write_page(tables, reports, files):
    return []
