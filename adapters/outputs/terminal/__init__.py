"""The output ``terminal``: a live table, or plain lines."""
