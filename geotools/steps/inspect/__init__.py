"""Is the input fit for the question?"""
