"""What is written about one clip: page, plots, pictures, annotated clip, JSON and CSV."""
