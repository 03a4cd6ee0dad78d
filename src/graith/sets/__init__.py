"""Sets: tunes in order, parts and repeats chosen, tempi, links, opening and ending."""
