"""Did milling time, ball ratio or group change the size, and by how much."""
