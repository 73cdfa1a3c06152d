package store_test

import (
	"testing"

	"sagwatch/store/storetest"
)

func TestMain(m *testing.M) { storetest.Main(m) }

const site = storetest.Site
