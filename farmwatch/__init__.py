"""farmwatch gives a farm of resin printers the eye that reads failures as a pattern and names their cause."""
