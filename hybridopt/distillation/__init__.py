"""The optimum distilled into rule tables, and their verification on other drives."""
