"""The jar as a vessel: geometry, level and volume, calibration."""
