"""The site's pages, and what writes its reference from the code."""
