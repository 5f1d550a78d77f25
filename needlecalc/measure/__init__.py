"""What was measured and how sure it is: logs, bands, lift."""
