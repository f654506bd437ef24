"""The override table: what a unit's weather overrides must do, as its maker or its buyer states it."""
