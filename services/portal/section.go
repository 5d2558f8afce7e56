package portal

// sectionView is a part of a page: what it says in words, then its tables.
type sectionView struct {
	Heading string
	Words   []string
	Tables  []tableView
	Links   []link

	Drawings []drawing // after the words, before the tables
}

// tableView is a table whose first column names the row. Without rows the page
// says None instead, if that is set.
type tableView struct {
	Name    string // for whoever can't see where the table begins
	Caption string
	Head    []column
	Rows    [][]cell
	None    string
}

// column is the head of a column; numbers stand to the right.
type column struct {
	Text   string
	Number bool
}

// cell is text, with an address where it leads somewhere.
type cell struct{ Text, Href string }

// cells are those of a row without links.
func cells(texts ...string) []cell {
	out := make([]cell, len(texts))
	for i, t := range texts {
		out[i] = cell{Text: t}
	}
	return out
}

// heads are columns of text.
func heads(texts ...string) []column {
	out := make([]column, len(texts))
	for i, t := range texts {
		out[i] = column{Text: t}
	}
	return out
}

// numbers are columns of numbers behind one of names.
func numbers(name string, texts ...string) []column {
	out := []column{{Text: name}}
	for _, t := range texts {
		out = append(out, column{t, true})
	}
	return out
}

// countTable counts something by its name, in the order of the codes.
func countTable(caption, head, counted string, counts map[string]int, word func(string) string, none string) tableView {
	t := tableView{Name: sentence(head), Caption: caption, Head: numbers(head, counted), None: none}
	for _, c := range countRows(counts, word) {
		t.Rows = append(t.Rows, cells(c.Name, c.Count))
	}
	return t
}

// figureTable lists figures with what they mean.
func figureTable(name, caption string, figures []figureView) tableView {
	t := tableView{Name: name, Caption: caption, Head: heads("Figure", "Value", "Meaning")}
	for _, f := range figures {
		t.Rows = append(t.Rows, cells(f.Name, f.Value, f.Note))
	}
	return t
}

// drawing is a chart: what it shows in words, the address that the script draws
// it from, and the same data as a table for whoever doesn't see it drawn.
type drawing struct {
	Kind    string // what services/portal/charts draws it as
	Source  string // GET of the API: the numbers are the API's own
	Finding string // what the chart shows, in a sentence
	Table   tableView
}
