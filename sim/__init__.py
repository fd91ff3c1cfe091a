"""A magneto, the hand that turns it, probes, encoder and board, as physics that ends in wire bytes.

Imports firmware_protocol, numpy, pydantic and the standard library. It knows nothing of the instrument that reads it:
the two meet as bytes only.
"""
