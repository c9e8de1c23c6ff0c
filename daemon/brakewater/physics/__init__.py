"""Laws of the cooling water: properties, heat balance, level."""
