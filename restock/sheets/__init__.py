"""Lists of the life of stock as workbooks, out and back."""
