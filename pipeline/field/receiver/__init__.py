"""Phones fetch forms and lists here, and send what was filled in: OpenRosa over HTTP, on the nursery's own network."""
