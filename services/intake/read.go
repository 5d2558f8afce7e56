package intake

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"mime"
	"net/http"
	"strings"

	"lensledger/events"
	"lensledger/services/web"
)

// item is one event as received.
type item struct {
	index   int // among the events of the request, from 0
	line    int // of NDJSON, from 1; else 0
	header  events.Header
	body    []byte
	tooLong bool // over events.MaxBytes; the body isn't kept
}

const contentTypeLines = "application/x-ndjson"

// items finds out in which form events were sent and gives them one by one. An
// error ends them; the body is at fault then, and what came before it isn't.
func items(r *http.Request) (iter.Seq2[item, error], error) {
	if encoding := r.Header.Get("Content-Encoding"); encoding != "" && !strings.EqualFold(encoding, "identity") {
		return nil, &web.Error{Code: web.CodeUnsupported, Message: "Send the body without Content-Encoding."}
	}
	binary := r.Header.Get("Ce-Specversion") != ""
	contentType := r.Header.Get("Content-Type")
	media, parameters, err := mime.ParseMediaType(contentType)
	if contentType != "" && err != nil {
		return nil, unsupported()
	}
	if charset := parameters["charset"]; charset != "" && !strings.EqualFold(charset, "utf-8") {
		return nil, &web.Error{Code: web.CodeUnsupported, Message: "Send the body in UTF-8."}
	}
	switch {
	case media == events.ContentTypeEvent:
		return single(r.Body, structuredHeader), nil
	case media == events.ContentTypeBatch:
		return batch(r.Body), nil
	case media == contentTypeLines:
		return lines(r.Body), nil
	case binary && (media == events.ContentTypeData || contentType == ""):
		return single(r.Body, binaryHeader(r.Header)), nil
	case media == events.ContentTypeData:
		return single(r.Body, structuredHeader), nil
	}
	return nil, unsupported()
}

func unsupported() error {
	return &web.Error{Code: web.CodeUnsupported, Message: "Send one event as " + events.ContentTypeEvent + ", " + events.ContentTypeData +
		" or with ce- headers; a list of events as " + events.ContentTypeBatch + "; one event a line as " + contentTypeLines + "."}
}

// structuredHeader goes to the stream with a structured event.
var structuredHeader = events.Header{"content-type": {events.ContentTypeEvent}}

// binaryHeader keeps of a request what belongs to a binary event. Over HTTP the
// type of the data is Content-Type; on the stream it is ce-datacontenttype.
func binaryHeader(h http.Header) events.Header {
	out := events.Header{}
	for name, values := range h {
		if lower := strings.ToLower(name); strings.HasPrefix(lower, "ce-") {
			out[lower] = values
		}
	}
	if contentType := h.Values("Content-Type"); len(contentType) > 0 && out["ce-datacontenttype"] == nil {
		out["ce-datacontenttype"] = contentType
	}
	return out
}

// single reads the body as one event.
func single(sent io.Reader, header events.Header) iter.Seq2[item, error] {
	return func(yield func(item, error) bool) {
		body, err := io.ReadAll(sent)
		switch {
		case err != nil:
			yield(item{}, web.BodyError(err))
		case len(body) > events.MaxBytes:
			yield(item{tooLong: true}, nil)
		default:
			yield(item{header: header, body: body}, nil)
		}
	}
}

// batch reads the body as a JSON list of events. The whole list is read before
// the first event is given, so that a broken one stores nothing.
func batch(sent io.Reader) iter.Seq2[item, error] {
	return func(yield func(item, error) bool) {
		body, err := io.ReadAll(sent)
		if err != nil {
			yield(item{}, web.BodyError(err))
			return
		}
		list, err := splitList(body)
		if err != nil {
			yield(item{}, err)
			return
		}
		for i, raw := range list {
			one := item{index: i, header: structuredHeader, body: raw}
			if len(raw) > events.MaxBytes {
				one = item{index: i, tooLong: true}
			}
			if !yield(one, nil) {
				return
			}
		}
	}
}

// splitList takes a JSON list apart and leaves its elements as they are.
func splitList(body []byte) ([]json.RawMessage, error) {
	decoder := json.NewDecoder(bytes.NewReader(body))
	start, err := decoder.Token()
	if err == nil && start != json.Delim('[') {
		return nil, &web.Error{Code: web.CodeInvalid, Message: "The body of a batch must be a JSON list of events."}
	}
	var list []json.RawMessage
	for err == nil && decoder.More() {
		if len(list) == maxEvents {
			return nil, tooMany()
		}
		var raw json.RawMessage
		err = decoder.Decode(&raw)
		list = append(list, raw)
	}
	if err == nil {
		_, err = decoder.Token() // the closing bracket
	}
	if err == nil {
		if _, end := decoder.Token(); end != io.EOF {
			err = errors.New("something follows the list")
		}
	}
	if err != nil {
		return nil, &web.Error{Code: web.CodeInvalid, Message: fmt.Sprintf(
			"The body is no JSON list: %s, near byte %d. Nothing was stored.", syntax(err), decoder.InputOffset())}
	}
	return list, nil
}

// syntax words an error of the JSON reader.
func syntax(err error) string {
	if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
		return "it ends too early"
	}
	return err.Error()
}

func tooMany() error {
	return &web.Error{Code: web.CodeTooLarge, Message: fmt.Sprintf("Over %d events in one request. Send them in parts.", maxEvents)}
}

// lines reads one event a line while the body arrives. Blank lines are skipped.
func lines(sent io.Reader) iter.Seq2[item, error] {
	return func(yield func(item, error) bool) {
		in := bufio.NewReaderSize(sent, 64<<10)
		index := 0
		for number := 1; ; number++ {
			text, tooLong, err := readLine(in)
			if err != nil && !errors.Is(err, io.EOF) {
				// A line that was cut off isn't what was meant to be sent.
				yield(item{}, web.BodyError(err))
				return
			}
			if tooLong || len(text) > 0 {
				if index == maxEvents {
					yield(item{}, tooMany())
					return
				}
				if !yield(item{index: index, line: number, header: structuredHeader, body: text, tooLong: tooLong}, nil) {
					return
				}
				index++
			}
			if errors.Is(err, io.EOF) {
				return
			}
		}
	}
}

// readLine gives the next line without white space around it. Of a line that is
// over the bound of an event nothing is kept.
func readLine(in *bufio.Reader) (text []byte, tooLong bool, err error) {
	for {
		part, err := in.ReadSlice('\n')
		if !tooLong {
			text = append(text, part...)
			if len(bytes.TrimSpace(text)) > events.MaxBytes {
				text, tooLong = nil, true
			}
		}
		if errors.Is(err, bufio.ErrBufferFull) {
			continue
		}
		return bytes.TrimSpace(text), tooLong, err
	}
}
