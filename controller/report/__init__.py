"""What people and programs are shown: views of the living garden, the journal read back, pages and tables."""
