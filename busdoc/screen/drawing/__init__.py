"""What the areas are drawn with: lines, pixels, styles, states, words."""
