"""The record store: what was measured, kept append-only and verifiable for years.

`model` is what a record holds, `making` makes one from a run, `store` keeps them (`open_store`), `verification` checks them.
"""
