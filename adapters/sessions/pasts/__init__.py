"""Recordings that are looked at while a game is played: evaluated once, then asked for moments."""
