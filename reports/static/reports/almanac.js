// What every page needs of the browser: nothing yet that the server could not do alone.
