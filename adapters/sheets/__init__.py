"""The renderers of sheets for people who read memory by hand: HTML, Markdown, JSON."""
