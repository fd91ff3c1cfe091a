"""The wire between board and host: definitions, framing, and what is generated from them.

Standard library and `cobs` only. `messages` is the one place where the wire is defined;
PROTOCOL.md, vectors.json and board/breakerbench_protocol.h are generated from it.
"""
