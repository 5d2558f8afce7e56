package events

// FiguresReleased: figures left the department, so that anyone can make them
// again and compare: the period (local dates, both included), the version of the
// measures' definitions, the stream position they were made at, and the SHA-256
// of the file, 64 lower-case hexadecimal digits. The subject is the release's code.
type FiguresReleased struct {
	From       Date  `wire:"from,required"`
	To         Date  `wire:"to,required"`
	Definition Text  `wire:"definition,required"`
	Position   int64 `wire:"position,required,min=1,max=9007199254740991"` // 2^53-1: exact in every JSON reader
	SHA256     Text  `wire:"sha256,required"`
}
