package mongostore_test

import (
	"testing"

	"rigledger/events/storetest"
)

// Against the test server this measures that server's decoding more than ours;
// set RIGLEDGER_TEST_MONGO to measure a real one.
func BenchmarkReplay(b *testing.B) {
	s := open(b, storetest.Mongo(b), database(b))
	defer s.Close()
	storetest.Replay(b, s, 50)
}

func BenchmarkAppend200(b *testing.B) {
	s := open(b, storetest.Mongo(b), database(b))
	defer s.Close()
	storetest.Appends(b, s, 200)
}
