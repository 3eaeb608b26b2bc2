"""What every room uses: errors, array types, units, phrases."""
