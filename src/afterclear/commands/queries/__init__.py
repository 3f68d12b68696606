"""Questions to the store: exports, one vehicle, codes, status, health."""
