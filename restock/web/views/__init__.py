"""The pages: each view reads its address, asks, and renders. Nothing is decided here."""
