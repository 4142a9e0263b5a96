"""Entry point."""


def main() -> int:
    """Run."""
    return 0
