"""A simulated milling trial: breakage, sampling, sieving and weighing."""
