"""The forward model: lambda on any needle, and two needles side by side."""
