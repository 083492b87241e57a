"""The output ``overlay``: the server of the pages and of what they ask."""
