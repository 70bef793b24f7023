"""What sensors' raw readings mean, by the published formulas of the parts."""
