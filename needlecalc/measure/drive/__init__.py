"""A drive: lag, steady samples, bands, drives brought together."""
