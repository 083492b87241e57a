"""Looking at recordings again while a game is played: sessions joined with what pages show."""
