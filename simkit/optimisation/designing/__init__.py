"""From a wish to a first design: a scale, so many holes, these hands, one chamber or several."""
