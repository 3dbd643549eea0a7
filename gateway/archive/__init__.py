"""The disk: every Frame first, then whoever asks.

`store` writes, `history` reads, `time_spec` understands what people write for a time. Refuses to
share its file with anything else, and to let a reader hold up the writer.
"""
