"""Size against milling time: rate models and time to target."""
