"""What was really exposed, pass by pass, with what was intended."""
