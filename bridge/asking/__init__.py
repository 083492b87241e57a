"""Asking a person for guest RAM: what is known, the next question, and what an answer means."""
