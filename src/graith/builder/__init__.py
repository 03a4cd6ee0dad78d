"""From a tune book and a rulebook to the proven best legal sets, or the rules that clash."""
