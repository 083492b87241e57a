"""The cheapest walks to a wanted binary32 coordinate, exactly as the game's processor rounds."""
