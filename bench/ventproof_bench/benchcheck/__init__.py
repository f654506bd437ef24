"""What the model of a bench file alone cannot know: places, hook-up, traffic.

Imports drivers, modbus and below.
"""
