"""The manual: the pages that an installation carries, or that are built out of a checkout."""
