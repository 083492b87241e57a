"""Guest memory: regions, mirrors and byte orders, and the bytes of one frame."""
