"""Bytes kept -> read -> checked -> a state each."""
