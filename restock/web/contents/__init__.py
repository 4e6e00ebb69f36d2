"""What a page shows, worked out before its template: figures, rows and their words."""
