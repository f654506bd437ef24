"""What a first bench file and a first rain test are made of: a maker's list, and what moved when a person moved it."""
