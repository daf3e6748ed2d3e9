// The page is drawn here.
