"""The profile: model, loading with positions, schema."""
