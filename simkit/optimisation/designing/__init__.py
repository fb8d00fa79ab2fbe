"""A first design from a wish: a scale, so many holes, these hands, one chamber or several."""
