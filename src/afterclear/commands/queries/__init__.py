"""Questions of the store: exports, one vehicle, codes, status, health."""
