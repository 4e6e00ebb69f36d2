"""Labels on sheets: codes, words and where they go. Pure: no Django, no database."""
