package analytics
import ("testing";"time";"fmt";"lensledger/projections/measure"
_ "github.com/getkin/kin-openapi/openapi3"
_ "github.com/getkin/kin-openapi/openapi3filter"
_ "github.com/getkin/kin-openapi/routers/gorillamux"
)
func TestZ(t *testing.T){
 for _,r:=range []measure.DesignRequest{
  {Acceptable:.02,OddsRatio:2,Threshold:3},
  {Acceptable:.02,OddsRatio:2,Threshold:20},
  {Acceptable:.0001,OddsRatio:1.05,Threshold:20},
  {Acceptable:.0001,OddsRatio:1.05,Threshold:5},
  {Acceptable:1e-6,OddsRatio:2,Threshold:5},
  {Acceptable:.5,OddsRatio:1.05,Threshold:20},
  {Acceptable:.1,OddsRatio:1.05,Threshold:10},
  {Acceptable:.9,OddsRatio:1000,Threshold:20},
  {Acceptable:.02,OddsRatio:2,FalseAlarmChance:1e-6,WithinCases:10000},
  {Acceptable:.02,OddsRatio:1.05,FalseAlarmChance:1e-6,WithinCases:10000},
  {Acceptable:.02,OddsRatio:1.05,RunLength:1e8},
  {Acceptable:.3,OddsRatio:1.05,RunLength:1e8},
  {CaseMix:[]measure.MixPoint{{Risk:.01,Share:.5},{Risk:.0333,Share:.5}},OddsRatio:2,RunLength:1e8},
  {CaseMix:[]measure.MixPoint{{Risk:.01,Share:.5},{Risk:.0333,Share:.5}},OddsRatio:1.05,RunLength:1e8},
  {CaseMix:mix(500),OddsRatio:2,FalseAlarmChance:1e-3,WithinCases:10000},
  {CaseMix:mix(500),OddsRatio:1.05,FalseAlarmChance:1e-3,WithinCases:10000},
  {CaseMix:mix(500),OddsRatio:2,Threshold:20},
 }{
  b:=time.Now(); d,err:=measure.NewDesign(r); n:=len(r.CaseMix); r.CaseMix=nil
  fmt.Printf("%+v mix%d: %v h=%v arl=%v err=%v\n",r,n,time.Since(b),d.Threshold,d.InControl.AverageRunLength,err)
 }
}
func mix(n int) (m []measure.MixPoint){ for i:=range n { m=append(m,measure.MixPoint{Risk:.001+float64(i)*.00173,Share:1/float64(n)})}; return}
