"""The endpoint: has a reading come to rest?"""
