"""Work in numbered jobs, done side by side: on this computer's cores, or on whatever else keeps the same promise."""
