"""The log in sums, what a refit finds in it, and the forecast that follows: rows to arrays and back."""
