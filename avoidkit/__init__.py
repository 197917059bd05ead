"""avoidkit"""
