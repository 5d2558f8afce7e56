package measure
import ("testing";"fmt";"time")
func TestGrid(t *testing.T){
 worst:=time.Duration(0)
 for _,kind:=range []Kind{Detection,Competence}{ for _,p:=range []float64{.0005,.001,.003,.01,.05,.1,.3,.6}{ for _,or:=range []float64{1.1,1.25,1.5,2,3,6}{ for _,h:=range []float64{.5,1,2,3,4.5,6,10}{
  t0:=time.Now(); _,err:=NewDesign(DesignRequest{Acceptable:p,OddsRatio:or,Threshold:h,Kind:kind}); d:=time.Since(t0)
  if err!=nil {fmt.Println(kind,p,or,h,err,d)}
  if d>worst {worst=d;fmt.Println("worst",kind,p,or,h,d)}
 }}}}
}
