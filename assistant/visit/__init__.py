"""A visit at work: runs effects, keeps the record, resumes."""
