"""What people read after a run: figures and one self-contained page. Imported only when a report is made."""
