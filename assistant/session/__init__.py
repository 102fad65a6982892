"""A visit at work: runs effects, listens and speaks, resumes."""
