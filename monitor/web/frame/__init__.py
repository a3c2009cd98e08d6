"""What every page stands on: guard, forms, words, chart, the frame around a page."""
