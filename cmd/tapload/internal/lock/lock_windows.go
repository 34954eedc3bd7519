package lock

import (
	"os"

	"golang.org/x/sys/windows"
)

// asItIs opens what has the name itself, no link to it.
const asItIs = windows.FILE_FLAG_OPEN_REPARSE_POINT

// links returns how many names a file has.
func links(f *os.File) (uint64, error) {
	var info windows.ByHandleFileInformation
	err := windows.GetFileInformationByHandle(windows.Handle(f.Fd()), &info)
	return uint64(info.NumberOfLinks), err
}
