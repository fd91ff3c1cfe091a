"""The wire: bytes, frames, messages, and the stream made of them."""
